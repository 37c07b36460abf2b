"""The few registers and files of a link that change, read again and again at the least cost.

Files stay open between samples: the kernel reads an attribute anew from offset 0. A counter file whose bytes are those
of the last sample is not looked at further. The config space of a component is left alone: its port answers for it.
"""

import os
from collections.abc import Iterator
from struct import Struct

import msgspec

from probe.audit.document import LinkDocument
from probe.errors.attribution import COMPONENT, PORT, SEVERITIES
from probe.evidence import Evidence, FunctionEvidence
from probe.kernel_spellings import nonzero_counts, speed_gts, width_lanes
from probe.registers import express, physical
from probe.registers.space import ALL_ONES
from probe.registers.values import SPEED_GTS, WIDTHS

_DWORD = Struct("<I")
_SPEED = express.LINK_STATUS["Current Link Speed"].field
_WIDTH = express.LINK_STATUS["Negotiated Link Width"].field
_MANAGED = express.LINK_STATUS["Link Bandwidth Management Status"].field
_FILE_BYTES = 4096
_MILLI = 1000.0

Counters = dict[tuple[str, str, str, str], int]
"""End, function, severity, error: count."""


class Reading(msgspec.Struct, frozen=True):
    """One link at one moment. `present` is False where the component's directory is gone."""

    speed_gts: float | None
    width: int | None
    managed: bool
    lanes: int
    power_state: str | None
    temperature_c: float | None
    present: bool


class LinkSampler:
    """Reads one link. Opening happens once; what cannot be opened is not read."""

    def __init__(self, sys: str, link: LinkDocument, evidence: Evidence) -> None:
        functions = {item.address: item for item in evidence.functions}
        port = functions.get(link.downstream_port or "")
        below = functions.get(link.upstream_port or "")
        self._open_files: list[int] = []
        self._component = None if below is None else f"{sys}/{below.path}"
        speaker = port or below
        self._config, self._status_at = self._config_of(sys, speaker)
        self._lanes_at = self._lanes_offset(speaker)
        self._speed = self._open(sys, speaker, "current_link_speed") if self._status_at is None else None
        self._width = self._open(sys, speaker, "current_link_width") if self._status_at is None else None
        self._power = self._open(sys, below, "power_state")
        self._temperature = self._temperature_file(sys, below)
        self._counter_files = list(self._counter_files_of(sys, link, functions))
        self._seen: dict[int, bytes] = {}
        self._counts: dict[int, dict[str, int]] = {}

    def _config_of(self, sys: str, function: FunctionEvidence | None) -> tuple[int | None, int | None]:
        found = None if function is None else function.space().find(express.PCI_EXPRESS)
        if found is None:
            return None, None
        descriptor = self._open(sys, function, "config")
        return descriptor, None if descriptor is None else found.offset + express.LINK_CONTROL.offset

    @staticmethod
    def _lanes_offset(function: FunctionEvidence | None) -> int | None:
        found = None if function is None else function.space().find(physical.SECONDARY_PCI_EXPRESS)
        return None if found is None else found.offset + physical.LANE_ERROR_STATUS.offset

    def _open(self, sys: str, function: FunctionEvidence | None, name: str) -> int | None:
        if function is None:
            return None
        try:
            descriptor = os.open(f"{sys}/{function.path}/{name}", os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return None
        self._open_files.append(descriptor)
        return descriptor

    def _temperature_file(self, sys: str, function: FunctionEvidence | None) -> int | None:
        """The first temperature of a sensor of the component, or of its drive."""
        if function is None:
            return None
        base = f"{sys}/{function.path}"
        for folder in (f"{base}/hwmon", *_subfolders(f"{base}/nvme")):
            for sensor in _subfolders(folder):
                if os.path.basename(sensor).startswith("hwmon"):  # noqa: PTH119 - plain strings, read each second
                    name = f"{sensor.removeprefix(base + '/')}/temp1_input"
                    found = self._open(sys, function, name)
                    if found is not None:
                        return found
        return None

    def _counter_files_of(
        self, sys: str, link: LinkDocument, functions: dict[str, FunctionEvidence]
    ) -> Iterator[tuple[int, str, str, str]]:
        for end, address, severity, name in _counters(link):
            descriptor = self._open(sys, functions.get(address), name)
            if descriptor is not None:
                yield descriptor, end, _short(address), severity

    def read(self) -> Reading:
        """The link now."""
        speed, width, managed = self._state()
        lanes = self._dword(self._lanes_at)
        power = self._text(self._power)
        temperature = self._text(self._temperature)
        return Reading(
            speed,
            width,
            managed,
            0 if lanes in {None, ALL_ONES} else lanes or 0,
            power,
            int(temperature) / _MILLI if temperature and temperature.lstrip("-").isdecimal() else None,
            self._component is None or os.path.isdir(self._component),  # noqa: PTH112 - as above
        )

    def _state(self) -> tuple[float | None, int | None, bool]:
        if self._status_at is None:
            return speed_gts(self._text(self._speed) or ""), width_lanes(self._text(self._width) or ""), False
        word = self._dword(self._status_at)
        if word is None or word == ALL_ONES:
            return None, None, False
        status = word >> 16
        width = _WIDTH.raw(status)
        return SPEED_GTS.get(_SPEED.raw(status)), width if width in WIDTHS else None, bool(_MANAGED.raw(status))

    def _dword(self, offset: int | None) -> int | None:
        if self._config is None or offset is None:
            return None
        try:
            data = os.pread(self._config, 4, offset)
        except OSError:
            return None
        value: int | None = _DWORD.unpack(data)[0] if len(data) == _DWORD.size else None
        return value

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
        changed = False
        for descriptor, _, _, _ in self._counter_files:
            try:
                data = os.pread(descriptor, _FILE_BYTES, 0)
            except OSError:
                continue
            if data != self._seen.get(descriptor):
                self._seen[descriptor] = data
                self._counts[descriptor] = nonzero_counts(data.decode("utf-8", "replace"))
                changed = True
        if not changed:
            return None
        return {
            (end, function, severity, error): count
            for descriptor, end, function, severity in self._counter_files
            for error, count in self._counts.get(descriptor, {}).items()
        }

    def close(self) -> None:
        """Let the files go."""
        for descriptor in self._open_files:
            os.close(descriptor)


def counters_of(link: LinkDocument, evidence: Evidence) -> Counters:
    """All counts of a link that were not zero when this evidence was read."""
    functions = {item.address: item for item in evidence.functions}
    found: Counters = {}
    for end, address, severity, name in _counters(link):
        function = functions.get(address)
        text = "" if function is None else function.attributes.get(name, "")
        found |= {(end, _short(address), severity, error): count for error, count in nonzero_counts(text).items()}
    return found


def _counters(link: LinkDocument) -> Iterator[tuple[str, str, str, str]]:
    """End, function, severity and file of every counter that a link can have."""
    ends = [(PORT, link.downstream_port)] if link.downstream_port else []
    ends += [(COMPONENT, address) for address in (link.component.functions if link.component else ())]
    for end, address in ends:
        for severity in SEVERITIES:
            yield end, address, severity, f"aer_dev_{severity}"


def _short(address: str) -> str:
    return address.rpartition(":")[2]


def _subfolders(path: str) -> list[str]:
    try:
        return [f"{path}/{name}" for name in sorted(os.listdir(path))]  # noqa: PTH208 - as above
    except OSError:
        return []
