"""What the kernel's log says of PCI Express, over the kernels in service, as events tied to a function and a time.

Facts come from the status word, not from the layer and agent words, which are not stable between kernels. Line shapes:
Linux 6.1, 6.12 and 6.18 `pcie/aer.c`, `pcie/dpc.c`, `hotplug/pciehp_ctrl.c`, `quirks.c`, `pci.c`,
`drivers/acpi/pci_root.c`, `drivers/firmware/efi/cper.c`; 5.4 and before from vendor trees and public reports.
"""

import re
from collections.abc import Iterable
from enum import StrEnum

import msgspec

from probe.address import ADDRESS
from probe.evidence import LogLine
from probe.kernel_spellings import RETRAINED_SLOW, specification_name
from probe.registers.errors import CorrectableErrorStatus, Severity, UncorrectableErrorStatus, errors_in
from probe.registers.packet_header import PacketHeader, decode_header


class EventKind(StrEnum):
    """Kinds of log events."""

    ERROR = "error"
    REPORTED = "error reported to the root"
    CONTAINMENT = "containment"
    LINK_DOWN = "link down"
    LINK_UP = "link up"
    CARD = "card"
    SPEED_HELD = "speed held"
    BANDWIDTH = "bandwidth limited"
    FIRMWARE_RECORD = "firmware record"
    FIRMWARE_CONTROL = "firmware control"
    COMPLETION_TIMEOUT = "completion timeout"


class LogEvent(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One event. `status` and `mask` are register values; `errors` the specification's names of unmasked bits."""

    kind: EventKind
    address: str | None
    time_s: float | None
    text: str
    severity: str | None = None
    status: int | None = None
    mask: int | None = None
    errors: tuple[str, ...] = ()
    first: str | None = None
    header: PacketHeader | None = None


_LINE = re.compile(rf"(?:[\w.-]+ )?({ADDRESS}): (.*)")
_BUS_ERROR = re.compile(r"(?:AER: )?PCIe Bus Error: severity=([^,]+), type=([^,]+),(?: id=\w+)?\s*\(?([^)]*)\)?")
_STATUS = re.compile(r"\s*device \[\w+:\w+\] error status/mask=([0-9a-f]{8})/([0-9a-f]{8})")
_BIT = re.compile(r"\s*\[\s*(\d+)\]\s+(.+?)\s*(\(First\))?$")
_HEADER = re.compile(r"\s*(?:AER:\s+)?TLP Header(?: \(Flit\))?: ((?:(?:0x)?[0-9a-f]{8}\s*){4})")
_RECEIVED = re.compile(
    r"(?:AER: )?(?:Multiple )?(Correct\w+|Uncorrect\w+ \([\w-]+\)) error (?:message )?received(?: from|:)\s*"
    rf"({ADDRESS})?"
)
_FIRMWARE_STATUS = re.compile(r"(?:AER: )?aer_status: 0x([0-9a-f]{8}), aer_mask: 0x([0-9a-f]{8})")
_DPC = re.compile(r"(?:pcie )?DPC: containment event, status:\s*0x([0-9a-f]{4})")
_SLOT = re.compile(r"(?:pciehp: )?Slot\(([^)]*)\)(?:: |\s)(.*)")
_HELD = re.compile(rf"broken device, {RETRAINED_SLOW}|retraining failed")
_BANDWIDTH = re.compile(r"([\d.]+) Gb/s available PCIe bandwidth, limited by (.+) link at")
_CPER = re.compile(r"(?:\{(\d+)\})?\[Hardware Error\]:\s*(.*)")
_CPER_DEVICE = re.compile(rf"device_id: ({ADDRESS})")
_CPER_STATUS = re.compile(r"aer_(cor|uncor)_status: 0x([0-9a-f]{8}), aer_(?:cor|uncor)_mask: 0x([0-9a-f]{8})")
_TIMEOUT = re.compile(r"completion time-?out", re.IGNORECASE)


def severity_word(text: str) -> Severity:
    """Our severity of the kernel's: `Corrected` and `Correctable` alike, `Uncorrected (Fatal)` and so on."""
    lowered = text.lower()
    if "non-fatal" in lowered or "nonfatal" in lowered or "recoverable" in lowered:
        return Severity.NONFATAL
    return Severity.FATAL if "fatal" in lowered else Severity.CORRECTABLE


def error_names(status: int, mask: int, severity: str) -> tuple[str, ...]:
    """The specification's names of the bits set in a status word and not masked."""
    register = CorrectableErrorStatus if severity == Severity.CORRECTABLE else UncorrectableErrorStatus
    return errors_in(register, status, mask=mask)


def log_events(lines: Iterable[LogLine]) -> tuple[LogEvent, ...]:
    """The events in log lines, in their order. Lines of one report are joined; other lines are passed over."""
    reader = _Reader()
    for line in lines:
        reader.take(line)
    return tuple(reader.events)


class _Reader:
    def __init__(self) -> None:
        self.events: list[LogEvent] = []
        self._open: dict[str, int] = {}
        self._record: int | None = None

    def _add(self, kind: EventKind, address: str | None, line: LogLine, **rest: object) -> int:
        self.events.append(
            msgspec.structs.replace(LogEvent(kind=kind, address=address, time_s=line.time_s, text=line.text), **rest)
        )
        return len(self.events) - 1

    def _extend(self, index: int, **changes: object) -> None:
        self.events[index] = msgspec.structs.replace(self.events[index], **changes)

    def take(self, line: LogLine) -> None:
        if self._firmware(line):
            return
        match = _LINE.search(line.text)
        if match:
            self._device(match[1], match[2], line)
        elif "_OSC" in line.text:
            self._add(EventKind.FIRMWARE_CONTROL, None, line)

    def _device(self, address: str, text: str, line: LogLine) -> None:
        if bus_error := _BUS_ERROR.match(text):
            severity = severity_word(bus_error[1])
            self._open[address] = self._add(EventKind.ERROR, address, line, severity=severity)
        elif self._detail(address, text):
            return
        elif firmware := _FIRMWARE_STATUS.match(text):
            status, mask = int(firmware[1], 16), int(firmware[2], 16)
            self._open[address] = self._add(EventKind.FIRMWARE_RECORD, address, line, status=status, mask=mask)
        elif received := _RECEIVED.match(text):
            severity = severity_word(received[1])
            self._add(EventKind.REPORTED, received[2] or address, line, severity=severity)
        elif _DPC.match(text):
            self._add(EventKind.CONTAINMENT, address, line)
        elif slot := _SLOT.match(text):
            self._slot(address, slot[2], line)
        elif _HELD.search(text):
            self._add(EventKind.SPEED_HELD, address, line)
        elif _BANDWIDTH.match(text):
            self._add(EventKind.BANDWIDTH, address, line)
        elif _TIMEOUT.search(text):
            self._add(EventKind.COMPLETION_TIMEOUT, address, line)

    def _slot(self, address: str, text: str, line: LogLine) -> None:
        if "ignored" in text:  # a reset that was asked for: "Link Down/Up ignored"
            return
        if "Link Down" in text or "No link" in text or "Cannot train link" in text:
            self._add(EventKind.LINK_DOWN, address, line)
        elif "Link Up" in text:
            self._add(EventKind.LINK_UP, address, line)
        elif "Card" in text:
            self._add(EventKind.CARD, address, line)

    def _detail(self, address: str, text: str) -> bool:
        """A further line of the report that this function has open."""
        index = self._open.get(address)
        if index is None:
            return False
        event = self.events[index]
        if status := _STATUS.match(text):
            raw, mask = int(status[1], 16), int(status[2], 16)
            names = error_names(raw, mask, event.severity or Severity.CORRECTABLE)
            self._extend(index, status=raw, mask=mask, errors=names)
            return True
        if header := _HEADER.match(text):
            words = tuple(int(word, 16) for word in header[1].split())
            self._extend(index, header=decode_header(words))
            return True
        if bit := _BIT.match(text):
            if bit[3]:
                self._extend(index, first=specification_name(bit[2]))
            return True
        return False

    def _firmware(self, line: LogLine) -> bool:
        """Records that firmware hands over (generic hardware error source)."""
        match = _CPER.search(line.text)
        if match is None:
            return False
        text = match[2]
        if "event severity" in text:
            severity = severity_word(text.partition(":")[2])
            self._record = self._add(EventKind.FIRMWARE_RECORD, None, line, severity=severity)
        elif self._record is not None and (device := _CPER_DEVICE.search(text)):
            self._extend(self._record, address=device[1])
        elif self._record is not None and (status := _CPER_STATUS.search(text)):
            raw, mask = int(status[2], 16), int(status[3], 16)
            told = self.events[self._record].severity or Severity.NONFATAL
            named = error_names(raw, mask, Severity.CORRECTABLE if status[1] == "cor" else told)
            self._extend(self._record, status=raw, mask=mask, errors=named)
        return True


def firmware_keeps_errors(lines: Iterable[LogLine]) -> str | None:
    """The line that says the kernel was not given control of Advanced Error Reporting, if there is one.

    Since 5.8 only `_OSC` decides (kernel commit c100beb9ccfb).
    """
    for line in lines:
        if "_OSC" not in line.text:
            continue
        if "OS now controls" in line.text and "AER" not in line.text:
            return line.text
        if "platform does not support" in line.text and "AER" in line.text:
            return line.text
    return None
