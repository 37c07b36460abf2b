"""Which boot came when: by the spool's running numbers, whatever the clocks say."""

from collections.abc import Sequence
from datetime import UTC, datetime

import pytest

from probe.fleet.boots import placed
from probe.fleet.chronicle import Observation
from probe.fleet.rows import HostRow
from tests.fleet.made import DAY_0_S, DAY_S, HOUR_S, LINK, chronicles, rows, seen

IN_1970 = -DAY_0_S
IN_2038 = int(datetime(2038, 1, 19, tzinfo=UTC).timestamp()) - DAY_0_S


def boots(*observations: Observation) -> list[tuple[str, int, bool]]:
    (chronicle,) = chronicles(observations)
    return [(item.id, item.start_s - DAY_0_S, item.odd) for item in placed(chronicle.boots)]


def boot(name: str, day: int, numbers: Sequence[int] = (), off: int = 0, length: int = 1) -> list[Observation]:
    """A boot that begins on a day and is seen once an hour, under these running numbers."""
    listed: list[int | None] = [*numbers] or [None] * (length + 1)
    return [
        seen(hour * HOUR_S, LINK, boot=name, began_s=DAY_0_S + day * DAY_S, clock_off_s=off, number=number)
        for hour, number in enumerate(listed)
    ]


def test_by_the_calendar_where_clocks_are_right() -> None:
    assert boots(*boot("b", 2), *boot("a", 5), *boot("c", 0)) == [
        ("c", 0, False),
        ("b", 2 * DAY_S, False),
        ("a", 5 * DAY_S, False),
    ]


@pytest.mark.parametrize("off", [IN_1970, IN_2038, -20 * DAY_S])
def test_a_clock_that_cannot_be_stands_after_the_boot_before_it(off: int) -> None:
    found = boots(*boot("a", 0, (0, 1)), *boot("b", 3, (2, 3), off), *boot("c", 9, (4, 5)))
    assert found == [("a", 0, False), ("b", HOUR_S + 1, True), ("c", 9 * DAY_S, False)]


def test_the_first_boot_of_a_wrong_clock_leads_to_the_next() -> None:
    assert boots(*boot("a", 0, (0, 1), IN_1970), *boot("b", 3, (2, 3))) == [
        ("a", 3 * DAY_S - HOUR_S - 1, True),
        ("b", 3 * DAY_S, False),
    ]


def test_a_clock_once_wrong_within_a_boot_does_not_move_it() -> None:
    early = seen(30, LINK, clock_off_s=IN_1970)
    late = seen(HOUR_S, LINK)
    wrong_again = seen(2 * HOUR_S, LINK, clock_off_s=IN_2038)
    assert boots(early, wrong_again, late) == [("b1", 0, True)]


def test_a_future_clock_hides_nothing_later() -> None:
    (host,) = rows([*boot("a", 0, (0, 1), IN_2038), *boot("b", 3, (2, 3))])["hosts"]
    assert isinstance(host, HostRow)
    assert host.last_s == DAY_0_S + 3 * DAY_S + HOUR_S
    assert host.odd_clock


def test_without_numbers_and_with_no_right_clock_a_boot_stands_before_all() -> None:
    assert [name for name, _, _ in boots(*boot("manual", 0, off=IN_2038), *boot("b", 3, (2, 3)))] == ["manual", "b"]


def test_a_spool_that_began_anew() -> None:
    found = boots(*boot("a", 0, (0, 1)), *boot("b", 3, (2, 3)), *boot("c", 6, (0, 1)), *boot("d", 8, (2, 3)))
    assert found == [("a", 0, False), ("b", 3 * DAY_S, False), ("c", 6 * DAY_S, False), ("d", 8 * DAY_S, False)]


def test_a_clock_a_little_off_is_not_told() -> None:
    found = boots(*boot("a", 0, (0, 1)), *boot("b", 0, (2, 3), off=600))
    assert found == [("a", 0, False), ("b", HOUR_S + 1, False)]


def test_two_machines_of_one_id_are_told() -> None:
    (one,) = rows([*boot("a", 0, length=9), *boot("b", 0, length=9)])["hosts"]
    (other,) = rows([*boot("a", 0, length=9), *boot("b", 1, length=9)])["hosts"]
    assert (isinstance(one, HostRow) and one.twins, isinstance(other, HostRow) and other.twins) == (True, False)
