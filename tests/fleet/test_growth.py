"""How errors grew: by day, over reboots, over cards that come and go, where some were not read."""

from typing import Any

import msgspec

from probe.fleet.chronicle import Counted, Observation, from_bytes, to_bytes
from probe.fleet.rows import OccupantRow, RiseRow
from probe.fleet.settling import settle
from probe.fleet.telling import rows_of
from tests.fleet.made import DAY_0_S, DAY_S, EMPTY, HOUR_S, LINK, UNREAD, chronicles, counted, link, rows, seen

NOT_READ = Counted()


def grown(*observations: Observation) -> list[tuple[int, int, bool]]:
    """Events, hours since the reading before, and whether they are the least."""
    found = rows(observations)["rises"]
    return [
        (row.events, (row.until_s - row.since_s) // HOUR_S, row.at_least) for row in found if isinstance(row, RiseRow)
    ]


def hour(number: float, counts: Counted, **more: Any) -> Observation:
    return seen(number * HOUR_S, more.pop("link", LINK), counts=counts, **more)


def test_growth_within_a_boot() -> None:
    assert grown(hour(1, counted(100)), hour(2, counted(107)), hour(3, counted(107)), hour(5, counted(108))) == [
        (7, 1, False), (1, 2, False),
    ]  # fmt: skip


def test_first_read_says_nothing() -> None:
    assert grown(hour(1, counted(100)), hour(2, counted(100))) == []


def test_not_read_is_no_zero() -> None:
    """100, not read, 107 is a rise of 7, over the whole time."""
    assert grown(hour(1, NOT_READ), hour(2, counted(100)), hour(3, NOT_READ), hour(4, counted(107))) == [(7, 2, False)]


def test_a_reboot_begins_at_zero_and_counts_from_its_start() -> None:
    later = {"boot": "b2", "began_s": DAY_0_S + DAY_S}
    assert grown(hour(1, counted(100)), hour(3, counted(2), **later), hour(4, counted(5), **later)) == [
        (2, 3, True), (3, 1, False),
    ]  # fmt: skip


def test_a_counter_that_fell_began_anew_and_the_other_end_goes_on() -> None:
    port = ("port", "", "correctable", "Bad DLLP", 50)
    before = msgspec.structs.replace(counted(40), counts=(port, *counted(40).counts))
    after = msgspec.structs.replace(counted(3), counts=((*port[:4], 51), *counted(3).counts))
    assert grown(hour(1, before), hour(2, after)) == [(4, 1, True)]


def test_another_card_counts_from_its_coming_and_one_that_was_not_read_is_no_other() -> None:
    assert grown(hour(1, counted(25)), hour(2, counted(25), link=UNREAD), hour(3, counted(25))) == []
    assert grown(hour(1, counted(25)), hour(2, counted(26), link=UNREAD), hour(3, counted(27))) == [
        (1, 1, False),
        (1, 1, False),
    ]
    assert grown(hour(1, counted(25)), hour(2, counted(25, fatal=1), link=link(serial="00-02"))) == [
        (1, 1, True),
        (25, 1, True),
    ]


def test_a_card_put_into_an_empty_slot_counts_from_its_coming() -> None:
    port_only = Counted((("port", "", "correctable"),))
    assert grown(hour(1, port_only, link=EMPTY), hour(2, counted(4))) == [(4, 1, True)]


def test_one_event_told_by_both_ends_is_one() -> None:
    both = msgspec.structs.replace(counted(), counts=(
        ("port", "", "correctable", "Replay Timer Timeout", 3), ("component", "00.0", "correctable", "Bad TLP", 3),
    ))  # fmt: skip
    assert grown(hour(1, counted()), hour(2, both)) == [(3, 1, False)]


def test_the_time_that_counters_were_watched() -> None:
    later = {"boot": "b2", "began_s": DAY_0_S + DAY_S}
    found = rows([hour(1, counted()), hour(4, counted(1)), hour(2, counted(), **later), hour(6, counted(), **later)])
    (row,) = [row for row in found["occupants"] if isinstance(row, OccupantRow)]
    assert row.watched_since_s is not None
    last_s = DAY_0_S + DAY_S + 6 * HOUR_S
    assert row.watched_s + last_s - row.watched_since_s == (3 + 6) * HOUR_S
    assert (row.boots, row.short) == (2, 0)


def test_settling_keeps_the_sums_of_each_day() -> None:
    observations = [hour(count / 4, counted(count // 3)) for count in range(96 * 4)]
    (chronicle,) = chronicles(observations)
    before, kept = rows_of(chronicle), to_bytes(chronicle)
    assert settle(chronicle, DAY_0_S + 3 * DAY_S)
    after = rows_of(chronicle)
    assert not settle(chronicle, DAY_0_S + 3 * DAY_S)
    assert before["beats"] == after["beats"]
    assert before["hosts"] == after["hosts"]
    assert before["links"] == after["links"]

    def by_day(found: Any) -> dict[int, int]:
        days: dict[int, int] = {}
        for row in found["rises"]:
            days[row.until_s // DAY_S] = days.get(row.until_s // DAY_S, 0) + row.events
        return days

    assert by_day(before) == by_day(after)
    assert len(after["rises"]) < len(before["rises"]) / 3
    assert len(to_bytes(chronicle)) < len(kept) / 3
    assert from_bytes(to_bytes(chronicle)) == chronicle
