"""A comparison of a machine with itself is empty; mirrored, renumbered and merged comparisons agree; no count is negative."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from fake_sysfs import Machine
from probe.audit.snapshot import Snapshot
from probe.compare.changes import Change, Comparison, InBetween
from probe.compare.diff import compare, diff
from probe.compare.growth import added
from probe.compare.judged_anew import BelowCapability
from probe.compare.rank import Rank
from probe.registers.errors import CORRECTABLE_NAMES
from tests.compare.machines import drive, of, slot, snapshot
from tests.laws.machines import machines
from tests.search import search

STATES = st.sampled_from(("16 GT/s x4", "8 GT/s x4", "16 GT/s x2", "2.5 GT/s x1"))
SERIALS = st.sampled_from((None, 1, 2, 3))


@st.composite
def slotted(draw: st.DrawFn, serials: st.SearchStrategy[int | None] = SERIALS) -> Machine:
    ports, used = [], set()
    for number in (1, 2, 3):
        serial = draw(serials)
        if serial in used or draw(st.integers(0, 3)) == 0:
            ports.append(slot(number))
            continue
        used.add(serial)
        state, payload = draw(STATES), draw(st.sampled_from((128, 256)))
        ports.append(slot(number, drive(serial, state, payload=payload, driver=draw(st.sampled_from(("a", "b"))))))
    return of(*ports)


@search(40)
@given(machines())
def test_a_machine_with_itself(described: Machine) -> None:
    assert diff(snapshot(described), snapshot(described)).empty


_MIRRORED = {Rank.WORSE: Rank.BETTER, Rank.BETTER: Rank.WORSE, Rank.NEUTRAL: Rank.NEUTRAL}


def between(document: Comparison) -> list[Change]:
    """Without what is said of a newcomer as it is now: the other way round it is no newcomer."""
    return [change for change in document.changes if not isinstance(change.what, BelowCapability)]


def shape(change: Change) -> tuple[str, Rank]:
    kinds = {"gone": "presence", "come": "presence"}
    return kinds.get(change.kind, change.kind), change.rank


@search(80)
@given(slotted(), slotted())
def test_mirrored(first: Machine, second: Machine) -> None:
    a, b = snapshot(first), snapshot(second)
    forth, back = diff(a, b), diff(b, a)
    assert {(x.place, x.name, x.before, x.after) for x in forth.alterations} == {
        (x.place, x.name, x.after, x.before) for x in back.alterations
    }
    assert sorted(map(shape, between(forth))) == sorted(
        (kind, _MIRRORED[rank]) for kind, rank in map(shape, between(back))
    )


@search(40)
@given(slotted(), st.integers(1, 60))
def test_renumbering_all_buses(described: Machine, skipped: int) -> None:
    assert diff(snapshot(described), snapshot(replace(described, skipped_buses=skipped))).empty


counters = st.dictionaries(st.sampled_from(sorted(CORRECTABLE_NAMES)), st.integers(0, 99), max_size=3)


def counted(counts: dict[str, int], hours: float) -> Snapshot:
    return snapshot(of(slot(1, drive(counters={"correctable": counts}))), uptime_s=hours * 3600)


@search(60)
@given(counters, counters)
def test_no_count_is_negative(before: dict[str, int], after: dict[str, int]) -> None:
    document = diff(counted(before, 1), counted(after, 2))
    assert all(item.count > 0 for item in document.counts)
    went_down = any(after.get(name, 0) < count for name, count in before.items())
    assert all(item.floor == went_down for item in document.counts)


known = slotted(st.sampled_from((1, 2, 3)))  # what the one in the middle tells of an unknown one, the ends cannot


@search(60)
@given(st.tuples(known, known, known), st.tuples(counters, counters, counters))
def test_steps_add_up_to_the_whole(described_three: tuple[Machine, ...], grown: tuple[dict[str, int], ...]) -> None:
    """What three snapshots show of first and last is what those two show; what was counted is the sum of the steps."""
    total: dict[str, int] = {}
    snapshots = []
    for hours, (described, counts) in enumerate(zip(described_three, grown, strict=True), start=1):
        total = {name: total.get(name, 0) + counts.get(name, 0) for name in {*total, *counts}}
        counting = slot(9, drive(9, counters={"correctable": total}))
        snapshots.append(snapshot(replace(described, ports=(*described.ports, counting)), uptime_s=hours * 3600.0))
    first, second, third = snapshots
    whole, ends = compare(snapshots), diff(first, third)
    assert whole.alterations == ends.alterations
    assert whole.counts == ends.counts == added((diff(first, second).counts, diff(second, third).counts))
    lasting = [change for change in whole.changes if not isinstance(change.what, InBetween)]
    assert lasting == list(ends.changes)
