"""What the kernel logged between two snapshots, without what is told already by a counter or by who went."""

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

import msgspec

from probe.compare.interval import Interval
from probe.compare.rank import Rank
from probe.errors.log_events import EventKind, LogEvent, log_events
from probe.evidence import Evidence, LogLine
from probe.registers.errors import Severity

_TOLD = frozenset({
    EventKind.ERROR, EventKind.CONTAINMENT, EventKind.LINK_DOWN, EventKind.LINK_UP, EventKind.CARD, EventKind.CARD_OUT,
    EventKind.BUTTON, EventKind.POWER_FAULT, EventKind.SPEED_HELD, EventKind.BANDWIDTH, EventKind.FIRMWARE_RECORD,
    EventKind.COMPLETION_TIMEOUT, EventKind.SUPPRESSED,
})  # fmt: skip
_URGENT = frozenset({EventKind.CONTAINMENT, EventKind.POWER_FAULT})
_BAD = _URGENT | {EventKind.LINK_DOWN, EventKind.SPEED_HELD, EventKind.COMPLETION_TIMEOUT}


class Logged(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="logged"):
    """Events of one kind at one function, told once however often they came."""

    place: str
    event: LogEvent
    times: int = 1

    kind = "log"

    @property
    def rank(self) -> Rank:
        """By the kind of event and the severity of the error."""
        return Rank.WORSE if self.urgent or self.event.kind in _BAD else Rank.NEUTRAL

    @property
    def urgent(self) -> bool:
        """An uncorrectable error, a containment or a power fault cannot wait."""
        return self.event.severity in {Severity.NONFATAL, Severity.FATAL} or self.event.kind in _URGENT

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        event = self.event
        severity = "" if event.severity in {None, Severity.CORRECTABLE} else f"{event.severity.words} "
        asked = f" on a {event.header.kind}" if event.header is not None else ""
        names = f" ({', '.join(event.errors)}{asked})" if event.errors else ""
        times = "" if self.times == 1 else f", {self.times} times"
        return f"the kernel logged: {severity}{event.kind}{names}{times}"

    @property
    def evidence(self) -> str:
        """The first line of the log that says so."""
        return log_line(self.event)


def log_line(event: LogEvent) -> str:
    """A line of the log as evidence."""
    return f"kernel log{'' if event.time_s is None else f' at {event.time_s:.3f} s'}: {event.text}"


def events_between(before: Evidence, after: Evidence, between: Interval) -> tuple[LogEvent, ...]:
    """What was logged since the earlier snapshot: what its own log did not hold, of the lines that came after those.

    Uptime decides only where the earlier log holds no line: a ring buffer loses its oldest lines, and the clock of the
    log stands still while a machine is suspended. Nothing is told where the time runs backwards.
    """
    if between.backwards:
        return ()
    lines = after.kernel_log if between.rebooted else tuple(_new_lines(before, after))
    return tuple(event for event in log_events(lines) if event.kind in _TOLD)


def _new_lines(before: Evidence, after: Evidence) -> Iterator[LogLine]:
    held = set(before.kernel_log)
    last = max((line.time_s for line in before.kernel_log if line.time_s is not None), default=None)
    since = last if last is not None else before.host.uptime_s if not held else None
    for line in after.kernel_log:
        if line not in held and (line.time_s is None or since is None or line.time_s >= since):
            yield line


class _Told(NamedTuple):
    address: str | None
    kind: EventKind
    severity: Severity | None
    errors: tuple[str, ...]


def logged(
    events: Iterable[LogEvent], titles: Mapping[str, str], counted: frozenset[tuple[str, Severity]]
) -> Iterator[Logged]:
    """Events by what they say and of which function; `titles` names the place of each address.

    An error that a counter of the function tells is not told again, and a correctable one is left to the counters.
    """
    groups: dict[_Told, list[LogEvent]] = {}
    for event in events:
        told = event.severity is not None and (event.address or "", event.severity) in counted
        if event.severity is not Severity.CORRECTABLE and not told:
            groups.setdefault(_Told(event.address, event.kind, event.severity, event.errors), []).append(event)
    for key, members in groups.items():
        place = titles.get(key.address or "", key.address or "this machine")
        yield Logged(place=place, event=members[0], times=len(members))
