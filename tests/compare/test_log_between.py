"""Which lines of the log came between two snapshots, and which of them a counter tells already."""

from dataclasses import replace

import pytest

from probe.compare.diff import diff
from probe.compare.interval import Interval
from probe.compare.logged import events_between, logged
from probe.errors.log_events import EventKind, LogEvent
from probe.evidence import Evidence, Host, LogLine
from probe.registers.errors import Severity
from tests.compare.machines import A, drive, of, slot, snapshot

PORT, CARD = "0000:00:01.0", "0000:01:00.0"
CORRECTABLE, NONFATAL, FATAL = Severity
HOUR = Interval(elapsed_s=3600.0)


def down(time_s: float | None, slot: int = 1) -> LogLine:
    return LogLine(f"pcieport {PORT}: pciehp: Slot({slot}): Link Down", time_s)


def seen(*lines: LogLine, uptime_s: float | None = None) -> Evidence:
    return Evidence(host=Host(taken_at="2026-01-01T00:00:00+00:00", uptime_s=uptime_s), kernel_log=lines)


def times(before: Evidence, after: Evidence, between: Interval = HOUR) -> list[float | None]:
    return [event.time_s for event in events_between(before, after, between)]


@pytest.mark.parametrize(
    ("before", "after", "new"),
    [
        (seen(down(10)), seen(down(10)), []),
        (seen(down(10)), seen(down(10), down(10, slot=2)), [10.0]),
        (
            seen(down(10)),
            seen(down(9, slot=2), down(11)),
            [11.0],
        ),  # the ring buffer of the earlier one lost the line at 9
        (seen(down(10), down(5)), seen(down(7, slot=2)), []),
        (seen(uptime_s=100.0), seen(down(99), down(100), down(101)), [100.0, 101.0]),
        (seen(), seen(down(1)), [1.0]),
        (seen(down(None)), seen(down(None), down(None, slot=2)), [None]),
        (seen(down(None), uptime_s=100.0), seen(down(50)), [50.0]),  # its own lines have no times: none is before them
        (seen(down(10)), seen(down(None, slot=2)), [None]),
        (seen(down(10), uptime_s=100.0), seen(down(50)), [50.0]),  # the clock of the log stands still in sleep
    ],
)
def test_what_the_earlier_log_did_not_hold(before: Evidence, after: Evidence, new: list[float | None]) -> None:
    assert times(before, after) == new


def test_over_a_boot_all_lines_are_new_and_backwards_none() -> None:
    before, after = seen(down(10)), seen(down(10), down(5))
    assert times(before, after, Interval(rebooted=True)) == [10.0, 5.0]
    assert times(before, after, Interval(backwards=True)) == []
    assert times(before, after, Interval(rebooted=True, backwards=True)) == []


def test_what_is_told_elsewhere_is_left_out() -> None:
    lines = seen(
        LogLine(f"pcieport {PORT}: AER: Corrected error received: {CARD}", 1.0),
        LogLine("acpi PNP0A08:00: _OSC: platform does not support [AER]", 2.0),
        LogLine(f"pci {PORT}: retraining failed", 3.0),
    )
    assert [event.kind for event in events_between(seen(), lines, HOUR)] == [EventKind.SPEED_HELD]


def event(
    kind: EventKind = EventKind.ERROR,
    address: str | None = CARD,
    severity: Severity | None = FATAL,
    text: str = "a",
    errors: tuple[str, ...] = (),
) -> LogEvent:
    return LogEvent(kind=kind, address=address, time_s=1.0, text=text, severity=severity, errors=errors)


def test_events_by_what_they_say_and_of_whom() -> None:
    found = list(
        logged(
            [event(), event(text="b"), event(address=PORT), event(errors=("X",)), event(severity=NONFATAL)],
            {CARD: "slot 1"},
            frozenset(),
        )
    )
    assert [(item.place, item.times, item.event.text) for item in found] == [
        ("slot 1", 2, "a"), (PORT, 1, "a"), ("slot 1", 1, "a"), ("slot 1", 1, "a"),
    ]  # fmt: skip
    (nobody,) = logged([event(address=None)], {}, frozenset())
    assert nobody.place == "this machine"


@pytest.mark.parametrize(
    ("severity", "counted", "told"),
    [
        (FATAL, frozenset(), True), (FATAL, frozenset({(CARD, FATAL)}), False), (FATAL, frozenset({(CARD, NONFATAL)}), True),
        (FATAL, frozenset({(PORT, FATAL)}), True), (CORRECTABLE, frozenset(), False), (None, frozenset({(CARD, FATAL)}), True),
    ],
)  # fmt: skip
def test_an_error_that_a_counter_tells_is_told_once(
    severity: Severity | None, counted: frozenset[tuple[str, Severity]], *, told: bool
) -> None:
    assert bool(list(logged([event(severity=severity)], {}, counted))) is told


@pytest.mark.parametrize("address", ["0000:00:01.0", "0000:01:00.0"])
def test_an_event_is_told_of_its_place(address: str) -> None:
    line = f"nvme {address}: completion timeout"
    described = of(slot(1, drive(A)))
    before, after = (
        snapshot(described, uptime_s=10.0),
        snapshot(replace(described, log=(f"[   15.000000] {line}",)), uptime_s=20.0),
    )
    (change,) = diff(before, after).changes
    assert (change.kind, change.place) == ("log", "slot 1 (port 0000:00:01.0)")
