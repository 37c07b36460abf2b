"""What the kernel's log says of PCI Express, over the kernels in service, as events tied to a function and a time.

Facts come from the status word, not from the layer and agent words, which are not stable between kernels. Line shapes:
Linux 6.1, 6.12 and 6.18 `pcie/aer.c`, `pcie/dpc.c`, `hotplug/pciehp_ctrl.c`, `quirks.c`, `pci.c`,
`drivers/acpi/pci_root.c`, `drivers/firmware/efi/cper.c`; 5.4 and before from vendor trees and public reports.
"""

import re
from collections.abc import Iterable, Sequence
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
    CARD_OUT = "card not present"
    BUTTON = "button pressed to power off"
    POWER_FAULT = "power fault"
    SPEED_HELD = "speed held"
    BANDWIDTH = "bandwidth limited"
    FIRMWARE_RECORD = "firmware record"
    FIRMWARE_CONTROL = "firmware control"
    COMPLETION_TIMEOUT = "completion timeout"
    SUPPRESSED = "lines left out by the kernel"


class LogEvent(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One event. `status` and `mask` are register values; `errors` the specification's names of unmasked bits.

    `suppressed` lines were not logged; `boot` counts the boots of a log that holds several, from 1.
    """

    kind: EventKind
    address: str | None
    time_s: float | None
    text: str
    severity: Severity | None = None
    status: int | None = None
    mask: int | None = None
    errors: tuple[str, ...] = ()
    first: str | None = None
    header: PacketHeader | None = None
    suppressed: int | None = None
    boot: int | None = None


_LINE = re.compile(rf"(?:[\w.-]+ )?({ADDRESS})(?::pcie[0-9a-f]{{3}})?: (.*)")
_BUS_ERROR = re.compile(
    r"(?:AER: )?(?:PCIe|CXL) Bus Error: severity=([^,]+), type=([^,]+),(?: id=\w+)?\s*\(?([^)]*)\)?"
)
_STATUS = re.compile(r"\s*(?:AER:\s+)?device \[\w+:\w+\] error status/mask=([0-9a-f]{8})/([0-9a-f]{8})")
_BIT = re.compile(r"\s*(?:AER:\s+)?\[\s*(\d+)\]\s+(.+?)\s*(\(First\))?$")
_HEADER = re.compile(r"\s*(?:AER:\s+)?TLP Header(?: \(Flit\))?: ((?:(?:0x)?[0-9a-f]{8}\s*){4})")
_RECEIVED = re.compile(
    r"(?:AER: )?(?:Multiple )?(Correct\w+|Uncorrect\w+ \([\w-]+\)) error (?:message )?received(?: from|:)\s*"
    rf"({ADDRESS})?"
)
_FIRMWARE_STATUS = re.compile(r"(?:AER: )?aer_status: 0x([0-9a-f]{8}), aer_mask: 0x([0-9a-f]{8})")
_DPC = re.compile(r"(?:pcie )?DPC:? containment event, status:\s*0x([0-9a-f]{4})")
_SLOT = re.compile(r"(?:pciehp: )?Slot\(([^)]*)\)(?:: |\s)(.*)")
_BUTTON_OFF = re.compile(r"[Pp]owering off due to button press|Button press: (?:will power|powering) off")
_HELD = re.compile(rf"broken device, {RETRAINED_SLOW}|retraining failed")
_BANDWIDTH = re.compile(r"([\d.]+) Gb/s available PCIe bandwidth, limited by (.+) link at")
_CPER = re.compile(r"(?:\{(\d+)\})?\[Hardware Error\]:\s*(.*)")
_CPER_SECTION = re.compile(r"section_?type: (.*)")
_CPER_ERROR = re.compile(r"Error \d+, type: (.*)")
_CPER_DEVICE = re.compile(rf"device_id: ({ADDRESS})")
_CPER_STATUS = re.compile(r"aer_(cor|uncor)_status: 0x([0-9a-f]{8}), aer_(?:cor|uncor)_mask: 0x([0-9a-f]{8})")
_SUPPRESSED = re.compile(r"\b\w*(?:aer|dpc|pciehp)\w*: (\d+) callbacks suppressed", re.IGNORECASE)
_TIMEOUT = re.compile(r"completion time-?out", re.IGNORECASE)


def severity_of(text: str) -> Severity:
    """Our severity of the kernel's: `Corrected` and `Correctable` alike, `Uncorrected (Fatal)` and so on."""
    lowered = text.lower()
    if "non-fatal" in lowered or "nonfatal" in lowered or "recoverable" in lowered:
        return Severity.NONFATAL
    return Severity.FATAL if "fatal" in lowered else Severity.CORRECTABLE


def error_names(status: int, mask: int, severity: Severity) -> tuple[str, ...]:
    """The specification's names of the bits set in a status word and not masked."""
    register = CorrectableErrorStatus if severity is Severity.CORRECTABLE else UncorrectableErrorStatus
    return errors_in(register, status, mask=mask)


def log_events(lines: Iterable[LogLine]) -> tuple[LogEvent, ...]:
    """The events in log lines, in their order. Lines of one report are joined; other lines are passed over."""
    reader = _Reader()
    for line in lines:
        reader.take(line)
    return tuple(reader.events)


def log_events_of_boots(boots: Sequence[Iterable[LogLine]]) -> tuple[LogEvent, ...]:
    """The events of a log that may hold several boots, each a time line of its own."""
    if len(boots) == 1:
        return log_events(boots[0])
    return tuple(
        msgspec.structs.replace(event, boot=number)
        for number, lines in enumerate(boots, start=1)
        for event in log_events(lines)
    )


class _Record(msgspec.Struct):
    """A firmware record that is being read: its severity, that of its section, and the event of the section."""

    line: LogLine
    severity: Severity
    section: Severity | None = None
    ours: bool | None = None
    event: int | None = None


class _Reader:
    def __init__(self) -> None:
        self.events: list[LogEvent] = []
        self._open: dict[str, int] = {}
        self._records: dict[str | None, _Record] = {}

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
        elif suppressed := _SUPPRESSED.search(line.text):
            self._add(EventKind.SUPPRESSED, None, line, suppressed=int(suppressed[1]))
        elif "_OSC" in line.text:
            self._add(EventKind.FIRMWARE_CONTROL, None, line)

    def _device(self, address: str, text: str, line: LogLine) -> None:
        if bus_error := _BUS_ERROR.match(text):
            severity = severity_of(bus_error[1])
            self._open[address] = self._add(EventKind.ERROR, address, line, severity=severity)
        elif self._detail(address, text):
            return
        elif firmware := _FIRMWARE_STATUS.match(text):
            status, mask = int(firmware[1], 16), int(firmware[2], 16)
            self._open[address] = self._add(EventKind.FIRMWARE_RECORD, address, line, status=status, mask=mask)
        elif received := _RECEIVED.match(text):
            severity = severity_of(received[1])
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
        if _BUTTON_OFF.search(text):
            self._add(EventKind.BUTTON, address, line)
        elif "ower fault" in text:
            self._add(EventKind.POWER_FAULT, address, line)
        elif "ignored" in text:
            return
        elif "Link Down" in text or "No link" in text or "Cannot train link" in text:
            self._add(EventKind.LINK_DOWN, address, line)
        elif "Link Up" in text:
            self._add(EventKind.LINK_UP, address, line)
        elif "Card not present" in text:
            self._add(EventKind.CARD_OUT, address, line)
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
        number, text = match[1], match[2]
        if "event severity" in text:
            self._records[number] = _Record(line, severity_of(text.partition(":")[2]))
        elif number in self._records:
            self._section(self._records[number], text)
        return True

    def _section(self, record: _Record, text: str) -> None:
        """A line of a section of a record; sections on memory, processors and the like are not ours."""
        if error := _CPER_ERROR.search(text):
            record.section, record.ours, record.event = severity_of(error[1]), None, None
        elif section := _CPER_SECTION.search(text):
            record.ours = "PCIe" in section[1] or "CXL" in section[1]
            record.event = self._firmware_event(record) if record.ours else None
        elif record.ours is not False and (device := _CPER_DEVICE.search(text)):
            if record.event is None:
                record.event = self._firmware_event(record)
            self._extend(record.event, address=device[1])
        elif record.event is not None and (status := _CPER_STATUS.search(text)):
            raw, mask = int(status[2], 16), int(status[3], 16)
            told = self.events[record.event].severity or Severity.NONFATAL
            named = error_names(raw, mask, Severity.CORRECTABLE if status[1] == "cor" else told)
            self._extend(record.event, status=raw, mask=mask, errors=named)

    def _firmware_event(self, record: _Record) -> int:
        return self._add(EventKind.FIRMWARE_RECORD, None, record.line, severity=record.section or record.severity)


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
