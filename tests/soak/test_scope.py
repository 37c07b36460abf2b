"""What a result rests on: limits, what could be counted, and what was left out."""

from probe.loads.results import Pass
from probe.soak.record import record
from probe.soak.scope import NotTested, Scope
from tests.soak.histories import history

SLOT_1, SLOT_2 = "slot 1 (port 0000:00:01.0)", "slot 2 (port 0000:00:02.0)"


def scope_of(*, whole: bool = True, links: int = 12) -> Scope:
    found = record(history(links, 120.0, whole=whole)).scope
    assert found is not None
    return found


def test_limits_and_both_snapshots() -> None:
    found = scope_of()
    assert (found.correctable_limit, found.ends_on) == ("6/2h", ("fatal",))
    assert found.taken_before == found.taken_after


def test_a_snapshot_that_is_missing_has_no_time() -> None:
    assert scope_of(whole=False).taken_after is None


def test_places_that_hold_nothing_and_links_that_were_not_chosen() -> None:
    assert NotTested(what="slot 10 (port 0000:00:0a.0)", why="holds nothing") in scope_of().not_tested
    entries = history(12, 60.0)
    start = entries[0]
    assert hasattr(start, "place_ids")
    entries[0] = type(start)(
        **{name: getattr(start, name) for name in start.__struct_fields__} | {"place_ids": start.place_ids[1:]}
    )
    found = record(entries).scope
    assert found is not None
    assert NotTested(what=SLOT_1, why="was not among the links of this run") in found.not_tested


def test_data_that_was_not_compared_and_ways_that_nothing_went() -> None:
    watched = (SLOT_2, "was watched without a load")  # as the history of two links has it

    def told(keep: str) -> set[tuple[str, str]]:
        entries = [entry for entry in history(2, 300.0) if not isinstance(entry, Pass) or entry.direction == keep]
        found = record(entries).scope
        assert found is not None
        return {(item.what, item.why) for item in found.not_tested}

    assert told("to host") == {watched, (f"{SLOT_1}: from host", "no load moved data this way")}
    assert told("from host") == {
        watched,
        (f"{SLOT_1}: to host", "no load moved data this way"),
        (f"{SLOT_1}: its data", "no load compared what came back"),
    }
    assert told("both") == {watched, (f"{SLOT_1}: its data", "no load compared what came back")}


def test_errors_that_may_not_have_been_counted() -> None:
    assert scope_of().counting_doubts == ()
