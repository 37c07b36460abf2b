"""What each counter counted between two snapshots, as rates, and beside the limits."""

from typing import Any

import pytest

from probe.audit.snapshot import Snapshot
from probe.compare.changes import Comparison
from probe.compare.diff import compare, diff
from probe.compare.growth import CountGrowth, added
from probe.errors.limits import Limit, Limits
from probe.links.link import WhichEnd
from probe.registers.errors import Severity
from tests.compare.machines import A, B, drive, of, slot, snapshot

HOUR = 3600.0
CORRECTABLE, NONFATAL, FATAL = Severity
PORT, COMPONENT = WhichEnd


def counted(hours: float, *, boot_id: str = "one", serial: int = A, **counters: Any) -> Snapshot:
    return snapshot(of(slot(1, drive(serial, counters=counters))), uptime_s=hours * HOUR, boot_id=boot_id)


def growth(document: Comparison) -> list[tuple[str, int, bool]]:
    return [(item.error, item.count, item.floor) for item in document.counts]


@pytest.mark.parametrize(
    ("before", "after", "grown"),
    [
        ({"Bad TLP": 3}, {"Bad TLP": 5}, [("Bad TLP", 2, False)]),
        ({"Bad TLP": 3}, {"Bad TLP": 3}, []),
        ({"Bad TLP": 3}, {"Bad TLP": 4, "Bad DLLP": 1}, [("Bad DLLP", 1, False), ("Bad TLP", 1, False)]),
        ({}, {"Bad TLP": 1}, [("Bad TLP", 1, False)]),
        # One counter fell: all of the function live and begin anew together, so all are the least that came.
        ({"Bad TLP": 3, "Bad DLLP": 2}, {"Bad TLP": 4, "Bad DLLP": 1}, [("Bad DLLP", 1, True), ("Bad TLP", 4, True)]),
        ({"Bad TLP": 3}, {}, []),
        ({"Bad TLP": 3}, {"Bad DLLP": 2}, [("Bad DLLP", 2, True)]),
    ],
)
def test_what_grew(before: dict[str, int], after: dict[str, int], grown: list[tuple[str, int, bool]]) -> None:
    assert growth(diff(counted(1, correctable=before), counted(2, correctable=after))) == grown


def test_over_a_boot_all_that_is_counted_since_came_and_is_the_least() -> None:
    document = diff(counted(5, correctable={"Bad TLP": 9}), counted(1, boot_id="two", correctable={"Bad TLP": 4}))
    assert growth(document) == [("Bad TLP", 4, True)]
    assert document.rebooted
    assert "started anew" in document.notes[0]


def test_of_another_card_all_that_is_counted_came_since() -> None:
    document = diff(counted(1, correctable={"Bad TLP": 9}), counted(2, serial=B, correctable={"Bad TLP": 10}))
    assert growth(document) == [("Bad TLP", 10, True)]


def test_a_port_keeps_its_count_where_another_card_came() -> None:
    def port(hours: float, serial: int, count: int) -> Snapshot:
        counters = {"correctable": {"Bad TLP": count}}
        return snapshot(of(slot(1, drive(serial), counters=counters)), uptime_s=hours * HOUR, boot_id="one")

    document = diff(port(1, A, 9), port(2, B, 10))
    assert [(item.end, item.count, item.floor) for item in document.counts] == [(PORT, 1, False)]


def test_backwards_nothing_is_counted() -> None:
    document = diff(counted(2, correctable={"Bad TLP": 3}), counted(1, correctable={"Bad TLP": 5}))
    assert document.counts == ()
    assert document.backwards


def item(count: int, *, floor: bool = False, **changes: Any) -> CountGrowth:
    made: dict[str, Any] = {
        "place": "p", "end": COMPONENT, "function": "f", "severity": CORRECTABLE, "error": "Bad TLP", "position": (0, 0), **changes,
    }  # fmt: skip
    return CountGrowth(count=count, floor=floor, **made)


def test_steps_add_up_by_counter() -> None:
    assert added([[item(1)], [item(2)]]) == (item(3),)
    assert added([[item(1, floor=True)], [item(2)]]) == (item(3, floor=True),)
    assert added([[item(1)], [item(2, floor=True)]]) == (item(3, floor=True),)
    assert added([[item(1, function="old")], [item(2, function="new")]]) == (item(3, function="new"),)
    apart = [
        item(1),
        item(1, function="g", position=(0, 1)),
        item(1, end=PORT),
        item(1, severity=FATAL),
        item(1, error="x"),
        item(1, place="q"),
    ]
    assert len(added([apart])) == 6
    assert added([apart]) == added([list(reversed(apart))])
    assert added([]) == ()


@pytest.mark.parametrize(
    ("counters", "limit", "exceeded"),
    [
        ({"correctable": {"Bad TLP": 5}}, "6/2h", False),
        ({"correctable": {"Bad TLP": 6}}, "6/2h", True),
        ({"correctable": {"Advisory Non-Fatal Error": 900}}, "none", False),
        ({"nonfatal": {"Completion Timeout": 1}}, "any", True),
        ({"nonfatal": {"ECRC Error": 1}}, "3/168h", True),
        ({"fatal": {"Data Link Protocol Error": 1}}, "any", True),
    ],
)
def test_the_limit_of_a_finding(counters: dict[str, Any], limit: str, *, exceeded: bool) -> None:
    (found,) = diff(counted(1), counted(2, **counters)).errors
    assert (found.limit, found.exceeded) == (limit, exceeded)
    (change,) = diff(counted(1), counted(2, **counters)).changes
    assert change.urgent is ("correctable" not in counters)
    assert change.rank == ("worse" if exceeded else "neutral")
    assert f"limit {limit}; ASPM off" in change.evidence


def test_other_limits_may_be_given() -> None:
    limits = Limits(correctable=Limit(2, 1.0))
    (found,) = compare([counted(1), counted(2, correctable={"Bad TLP": 2})], limits).errors
    assert (found.limit, found.exceeded) == ("2/1h", True)


def test_rates() -> None:
    """6 errors in 2 hours at 16 GT/s x4: 3 an hour, of 16e9 x 4 x 7200 bits one way."""
    (found,) = diff(counted(1), counted(3, correctable={"Bad TLP": 6})).errors
    assert found.per_hour == pytest.approx(3.0)
    assert found.ratio == pytest.approx(6 / (16e9 * 4 * 7200))
    assert not found.floor
    (change,) = diff(counted(1), counted(3, correctable={"Bad TLP": 6})).changes
    assert change.evidence.endswith("; error ratio 1.3e-14 of the bits the link could carry")
    (other,) = diff(counted(1), counted(3, nonfatal={"Completion Timeout": 6})).errors
    assert other.per_hour == pytest.approx(3.0)
    assert other.ratio is None
    (timeless,) = diff(counted(1), counted(1, correctable={"Bad TLP": 6})).errors
    assert (timeless.per_hour, timeless.ratio, timeless.exceeded) == (None, None, True)


def test_a_floor_is_of_its_severity_alone() -> None:
    before = counted(1, correctable={"Bad TLP": 3})
    after = counted(2, correctable={"Bad TLP": 1}, nonfatal={"Completion Timeout": 1})
    found = {item.finding.severity: item.floor for item in diff(before, after).errors}
    assert found[CORRECTABLE]
    assert "at least 1 correctable error" in str(diff(before, after).changes)


def test_growth_as_a_count() -> None:
    counted_of = item(4).counted
    assert (counted_of.end, counted_of.function, counted_of.severity, counted_of.error, counted_of.count) == (
        COMPONENT, "f", CORRECTABLE, "Bad TLP", 4,
    )  # fmt: skip
