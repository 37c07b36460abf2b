"""The time between two snapshots: by boot ids, by uptime, by the wall clock, whichever was read."""

import pytest

from probe.compare.interval import Interval, interval
from probe.evidence import Host

NOON, ONE, TWO = "2026-01-01T12:00:00+00:00", "2026-01-01T13:00:00+00:00", "2026-01-01T14:00:00+00:00"
HOUR = 3600.0


def at(taken_at: str, uptime_h: float | None = None, boot_id: str | None = None) -> Host:
    return Host(taken_at=taken_at, uptime_s=None if uptime_h is None else uptime_h * HOUR, boot_id=boot_id)


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (at(NOON, 1, "a"), at(ONE, 2, "a"), Interval(elapsed_s=HOUR)),
        (at(NOON, 1, "a"), at(ONE, 1, "a"), Interval(elapsed_s=0.0)),
        (at(NOON, 2, "a"), at(ONE, 1, "a"), Interval(backwards=True)),
        (at(NOON, 1, "a"), at(ONE, 0.5, "b"), Interval(rebooted=True, elapsed_s=HOUR / 2)),
        (at(ONE, 1, "a"), at(NOON, 0.5, "b"), Interval(rebooted=True, backwards=True, elapsed_s=HOUR / 2)),
        (at(NOON, 1, "a"), at(NOON, 0.5, "b"), Interval(rebooted=True, elapsed_s=HOUR / 2)),
        (at(NOON, 1, "a"), at(ONE, None, "b"), Interval(rebooted=True)),
        (at(NOON), at(ONE), Interval(elapsed_s=HOUR)),
        (at(ONE), at(NOON), Interval(backwards=True)),
        (at(NOON), at(NOON), Interval(elapsed_s=0.0)),
        (at(NOON, 1), at(ONE), Interval(elapsed_s=HOUR)),
        (at(NOON), at(ONE, 5), Interval(elapsed_s=HOUR)),
        # Without boot ids: an uptime that is too short for the time gone by, beyond what clocks may differ (a minute).
        (at(NOON, 5), at(ONE, 0.5), Interval(rebooted=True, elapsed_s=HOUR / 2)),
        (at(NOON, 1), at(ONE, 0.5), Interval(rebooted=True, elapsed_s=HOUR / 2)),
        (at(NOON), at(TWO, 1), Interval(rebooted=True, elapsed_s=HOUR)),
        (at(NOON, 5, "a"), at(ONE, 6), Interval(elapsed_s=HOUR)),
        (at(NOON, 0.5), at(ONE, 1.5), Interval(elapsed_s=HOUR)),
        (at("no time", 1), at(ONE, 2), Interval(elapsed_s=HOUR)),
        (at("no time"), at(ONE), Interval()),
        (at("2026-01-01T12:00:00"), at(ONE), Interval()),
    ],
)
def test_the_time_between(before: Host, after: Host, expected: Interval) -> None:
    assert interval(before, after) == expected


@pytest.mark.parametrize(("short_by_s", "rebooted"), [(0.0, False), (59.0, False), (60.0, False), (61.0, True)])
def test_clocks_may_differ_by_a_minute(short_by_s: float, *, rebooted: bool) -> None:
    before, after = Host(taken_at=NOON), Host(taken_at=ONE, uptime_s=HOUR - short_by_s)
    assert interval(before, after).rebooted is rebooted
