"""The few registers and files of a link that change, read again and again at the least cost.

Files stay open between samples: the kernel reads an attribute anew from offset 0. A counter file whose bytes are those
of the last sample is not looked at further. The config space of a component is left alone: its port answers for it.
At each sample the power states come first: what would wake is not read (`probe/host/sleep.py` has the rule).
A component that went and came back, be it another one, has new files: they are opened, and its counts begin at zero.
"""

import contextlib
import os
from collections.abc import Iterator

import msgspec

from probe.audit.document import LinkDocument
from probe.errors.counts import CounterKey
from probe.evidence import Evidence, FunctionEvidence, Why
from probe.kernel_spellings import (
    COUNTER_FILES,
    CURRENT_LINK_SPEED,
    CURRENT_LINK_WIDTH,
    POWER_STATE,
    RUNTIME_STATUS,
    nonzero_counts,
    sleeps,
    speed_gts,
    width_lanes,
)
from probe.links.link import WhichEnd
from probe.observe.heat import Heat
from probe.observe.sensors import Sensors
from probe.registers.errors import Severity
from probe.registers.link import LinkStatus
from probe.registers.physical import LaneErrorStatus
from probe.registers.table_language import Register

_FILE_BYTES = 4096

Counters = dict[CounterKey, int]
"""The counts that are not zero."""


class Reading(msgspec.Struct, frozen=True):
    """One link at one moment. `present` is False where the component's directory is gone.

    `unread` says why nothing was read of its registers, where nothing was: the link may be in any state. `counted` is
    False where a counter that was there cannot be read. `occupants` counts the components that were seen at the place.
    """

    speed_gts: float | None
    width: int | None
    managed: bool
    lanes: frozenset[int]
    power_state: str | None
    temperature_c: float | None
    present: bool
    unread: Why | None = None
    counted: bool = True
    heat: tuple[Heat, ...] = ()
    occupants: int = 1


class LinkSampler:
    """Reads one link. Opening happens once for each component that is there; what cannot be opened is not read."""

    def __init__(self, sys: str, link: LinkDocument, evidence: Evidence) -> None:
        self._sys = sys
        self._link = link
        self._functions = {item.address: item for item in evidence.functions}
        self._port = self._functions.get(link.downstream_port or "")
        self._below = self._functions.get(link.upstream_port or "")
        self._component = None if self._below is None else f"{sys}/{self._below.path}"
        self._sensors = Sensors(self._component)
        self._occupant = _identity(self._component)
        self._occupants = 1
        self._open_files: list[int] = []
        self._open_all(known=True)

    def _open_all(self, *, known: bool) -> None:
        """Open what there is now. Of a component that is not known any more the registers may lie elsewhere."""
        sys, speaker = self._sys, self._port or self._below
        asks = known or self._port is not None
        self._config, self._status_at = self._config_of(sys, speaker) if asks else (None, None)
        self._lanes_at = self._lanes_offset(speaker) if asks else None
        self._speed = self._open(sys, speaker, CURRENT_LINK_SPEED) if self._status_at is None else None
        self._width = self._open(sys, speaker, CURRENT_LINK_WIDTH) if self._status_at is None else None
        self._above = [pair for item in _way_to(speaker, self._functions) for pair in self._states(sys, item)]
        self._power = dict(self._states(sys, self._below))
        self._lacks_counters = False
        self._counter_files = list(self._counter_files_of(sys, self._link, self._functions))
        self._seen: dict[int, bytes] = {}
        self._counts: dict[int, dict[str, int]] = {}
        self._counted = not self._lacks_counters

    def look(self) -> bool:
        """Whether the component is there; where it is another than before, follow it."""
        occupant = _identity(self._component)
        if occupant is not None and occupant != self._occupant:
            self._close_files()
            self._open_all(known=False)
            self._sensors.look_again()
            self._occupant = occupant
            self._occupants += 1
        return self._component is None or occupant is not None

    def _config_of(self, sys: str, function: FunctionEvidence | None) -> tuple[int | None, int | None]:
        offset = None if function is None else function.space().offset_of(LinkStatus)
        if offset is None:
            return None, None
        descriptor = self._open(sys, function, "config")
        return descriptor, None if descriptor is None else offset

    @staticmethod
    def _lanes_offset(function: FunctionEvidence | None) -> int | None:
        return None if function is None else function.space().offset_of(LaneErrorStatus)

    def _open(self, sys: str, function: FunctionEvidence | None, name: str) -> int | None:
        if function is None:
            return None
        try:
            descriptor = os.open(f"{sys}/{function.path}/{name}", os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return None
        self._open_files.append(descriptor)
        return descriptor

    def _counter_files_of(
        self, sys: str, link: LinkDocument, functions: dict[str, FunctionEvidence]
    ) -> Iterator[tuple[int, WhichEnd, str, Severity]]:
        for address in link.counters:
            end = WhichEnd.PORT if address == link.downstream_port else WhichEnd.COMPONENT
            for severity, name in COUNTER_FILES.items():
                function = functions.get(address)
                descriptor = self._open(sys, function, name)
                if descriptor is not None:
                    yield descriptor, end, address, severity
                elif function is not None and name in function.attributes:
                    self._lacks_counters = True

    def _states(self, sys: str, function: FunctionEvidence | None) -> Iterator[tuple[str, int]]:
        for name in (POWER_STATE, RUNTIME_STATUS):
            descriptor = self._open(sys, function, name)
            if descriptor is not None:
                yield name, descriptor

    def read(self, *, present: bool = True) -> Reading:
        """The link now, of which `look` said whether its component is there."""
        power = {name: text for name, at in self._power.items() if (text := self._text(at)) is not None}
        above = any(sleeps({name: self._text(at) or ""}) for name, at in self._above)
        speed, width, managed, unread = (None, None, False, Why.ASLEEP) if above else self._state()
        lanes = None if above else self._register(LaneErrorStatus, self._lanes_at)
        heat = () if above or not present or sleeps(power) else self._sensors.read()
        return Reading(
            speed,
            width,
            managed,
            frozenset() if lanes is None else frozenset(LaneErrorStatus.lanes.decode(lanes) or ()),
            power.get(POWER_STATE),
            heat[0].temperature_c if heat else None,
            present,
            unread,
            self._counted,
            heat,
            self._occupants,
        )

    def _state(self) -> tuple[float | None, int | None, bool, Why | None]:
        if self._status_at is None:
            speed, width = self._text(self._speed), self._text(self._width)
            unread = Why.FAILED if speed is None and width is None else None
            return speed_gts(speed or ""), width_lanes(width or ""), False, unread
        data = self._bytes(LinkStatus, self._status_at)
        if data is None:
            return None, None, False, Why.FAILED
        status = LinkStatus.unpack(data)
        if status is None:  # all ones: nothing answers
            return None, None, False, None
        return (
            LinkStatus.current_link_speed.decode(status),
            LinkStatus.negotiated_link_width.decode(status),
            bool(LinkStatus.link_bandwidth_management_status.decode(status)),
            None,
        )

    def _register(self, register: type[Register], offset: int | None) -> int | None:
        data = self._bytes(register, offset)
        return None if data is None else register.unpack(data)

    def _bytes(self, register: type[Register], offset: int | None) -> bytes | None:
        """The bytes of a register; None where they cannot be read."""
        if self._config is None or offset is None:
            return None
        try:
            data = os.pread(self._config, register.size, offset)
        except OSError:
            return None
        return data if len(data) == register.size else None

    @staticmethod
    def _text(descriptor: int | None) -> str | None:
        if descriptor is None:
            return None
        try:
            return os.pread(descriptor, _FILE_BYTES, 0).decode("utf-8", "replace").strip()
        except OSError:
            return None

    def counters(self) -> Counters | None:
        """All counts that are not zero; None where nothing changed since the last call."""
        changed, self._counted = False, not self._lacks_counters
        for descriptor, _, _, _ in self._counter_files:
            try:
                data = os.pread(descriptor, _FILE_BYTES, 0)
            except OSError:
                self._counted = False
                continue
            if data != self._seen.get(descriptor):
                self._seen[descriptor] = data
                self._counts[descriptor] = nonzero_counts(data.decode("utf-8", "replace"))
                changed = True
        if not changed:
            return None
        return {
            CounterKey(end, function, severity, error): count
            for descriptor, end, function, severity in self._counter_files
            for error, count in self._counts.get(descriptor, {}).items()
        }

    def close(self) -> None:
        """Let the files go."""
        self._sensors.close()
        self._close_files()

    def _close_files(self) -> None:
        for descriptor in self._open_files:
            with contextlib.suppress(OSError):
                os.close(descriptor)
        self._open_files.clear()


def counters_of(link: LinkDocument) -> Counters:
    """All counts of a link that were not zero when it was judged."""
    return {item.key: item.count for item in link.error_counts}


def _way_to(function: FunctionEvidence | None, functions: dict[str, FunctionEvidence]) -> Iterator[FunctionEvidence]:
    """A function and all above it."""
    steps = [] if function is None else function.path.split("/")
    yield from (functions[step] for step in steps if step in functions)


def _identity(directory: str | None) -> int | None:
    """What tells a directory of sysfs from a later one of the same name; None where there is none."""
    try:
        return None if directory is None else os.stat(directory).st_ino  # noqa: PTH116 - a plain string, read each second
    except OSError:
        return None
