"""Each kind of line of the log, the order in which they are tried, and what joins the lines of one report."""

import pytest

from probe.errors.log_events import (
    EventKind,
    LogEvent,
    error_names,
    firmware_keeps_errors,
    log_events,
    log_events_of_boots,
    severity_of,
)
from probe.evidence import LogLine
from probe.registers.errors import Severity

PORT, CARD = "0000:00:01.0", "0000:01:00.0"
CORRECTABLE, NONFATAL, FATAL = Severity


def read(*lines: str) -> tuple[LogEvent, ...]:
    return log_events(LogLine(line, float(number)) for number, line in enumerate(lines))


KINDS = [
    (f"pcieport {PORT}: AER: Correctable error message received from {CARD}", EventKind.REPORTED, CARD, CORRECTABLE),
    (f"pcieport {PORT}: AER: Corrected error received: {CARD}", EventKind.REPORTED, CARD, CORRECTABLE),
    (f"pcieport {PORT}: AER: Multiple Uncorrected (Fatal) error received: {CARD}", EventKind.REPORTED, CARD, FATAL),
    (f"pcieport {PORT}: AER: Uncorrectable (Non-Fatal) error message received from {CARD}", EventKind.REPORTED, CARD, NONFATAL),
    (f"pcieport {PORT}: AER: Corrected error received: ", EventKind.REPORTED, PORT, CORRECTABLE),
    (f"pcieport {PORT}: DPC: containment event, status:0x1f01 source:0x0000", EventKind.CONTAINMENT, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): Link Down", EventKind.LINK_DOWN, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): No link", EventKind.LINK_DOWN, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): Cannot train link: status 0x1001", EventKind.LINK_DOWN, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): Link Up", EventKind.LINK_UP, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): Card not present", EventKind.CARD_OUT, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): Card present", EventKind.CARD, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): Power fault", EventKind.POWER_FAULT, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3) power fault", EventKind.POWER_FAULT, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): Powering off due to button press", EventKind.BUTTON, PORT, None),
    (f"pcieport {PORT}: pciehp: Slot(3): Button press: will power off in 5 sec", EventKind.BUTTON, PORT, None),
    (f"pci {PORT}: broken device, retraining non-functional downstream link at 2.5GT/s", EventKind.SPEED_HELD, PORT, None),
    (f"pci {PORT}: retraining failed", EventKind.SPEED_HELD, PORT, None),
    (f"pci {CARD}: 7.876 Gb/s available PCIe bandwidth, limited by 8.0 GT/s PCIe x1 link at {PORT} (capable of 31.504 Gb/s)",
     EventKind.BANDWIDTH, CARD, None),
    (f"nvme {CARD}: I/O 5 QID 2 timeout, completion timeout", EventKind.COMPLETION_TIMEOUT, CARD, None),
    (f"nvme {CARD}: Completion Time-Out", EventKind.COMPLETION_TIMEOUT, CARD, None),
    ("acpi PNP0A08:00: _OSC: platform does not support [AER]", EventKind.FIRMWARE_CONTROL, None, None),
    ("pcieport_aer: 12 callbacks suppressed", EventKind.SUPPRESSED, None, None),
]  # fmt: skip


@pytest.mark.published(
    "Linux drivers/pci/pcie/aer.c, pcie/dpc.c, hotplug/pciehp_ctrl.c, pciehp_hpc.c, quirks.c, pci.c at 6.1 to 6.18"
)
@pytest.mark.parametrize(("line", "kind", "address", "severity"), KINDS, ids=[row[0][:60] for row in KINDS])
def test_a_line_of_each_kind(line: str, kind: EventKind, address: str | None, severity: Severity | None) -> None:
    (event,) = read(line)
    assert (event.kind, event.address, event.severity, event.text, event.time_s) == (kind, address, severity, line, 0.0)
    assert (event.status, event.mask, event.errors, event.first, event.header) == (None, None, (), None, None)


@pytest.mark.parametrize(
    "line",
    [f"pcieport {PORT}: pciehp: Slot(3): Attention button pressed", f"nvme {CARD}: ready", "nothing of ours",
     f"pcieport {PORT}: pciehp: Slot(3): Card present ignored", f"pcieport {PORT}: AER: enabled with IRQ 27"],
)  # fmt: skip
def test_a_line_of_no_kind(line: str) -> None:
    assert read(line) == ()


@pytest.mark.parametrize(
    ("text", "severity"),
    [
        ("Corrected", CORRECTABLE), ("Correctable", CORRECTABLE), ("Uncorrected (Fatal)", FATAL), ("fatal", FATAL),
        ("Uncorrectable (Non-Fatal)", NONFATAL), ("nonfatal", NONFATAL), ("recoverable", NONFATAL), ("info", CORRECTABLE),
    ],
)  # fmt: skip
def test_severities_as_the_kernel_writes_them(text: str, severity: Severity) -> None:
    assert severity_of(text) is severity


def test_names_of_bits_by_severity() -> None:
    assert error_names(0x1000, 0, CORRECTABLE) == ("Replay Timer Timeout",)
    assert error_names(0x1000, 0, NONFATAL) == ("Poisoned TLP Received",)
    assert error_names(0x1000, 0, FATAL) == ("Poisoned TLP Received",)
    assert error_names(0x1041, 0x1000, CORRECTABLE) == ("Receiver Error", "Bad TLP")


def test_a_report_is_joined_by_its_function() -> None:
    """Two reports whose lines are mixed: each line extends the report of its own function."""
    found = read(
        f"pcieport {PORT}: PCIe Bus Error: severity=Corrected, type=Physical Layer, (Receiver ID)",
        f"nvme {CARD}: PCIe Bus Error: severity=Uncorrected (Non-Fatal), type=Transaction Layer, (Requester ID)",
        f"nvme {CARD}:   device [144d:a80a] error status/mask=00004000/00400000",
        f"pcieport {PORT}:   device [8086:1901] error status/mask=00000041/00002000",
        f"pcieport {PORT}:    [ 0] RxErr                  (First)",
        f"nvme {CARD}:    [14] CmpltTO                (First)",
        f"nvme {CARD}:   TLP Header: 04000001 0000220f 01070000 00000000",
    )
    assert [(e.address, e.severity, e.status, e.mask, e.errors, e.first) for e in found] == [
        (PORT, CORRECTABLE, 0x41, 0x2000, ("Receiver Error", "Bad TLP"), "Receiver Error"),
        (CARD, NONFATAL, 0x4000, 0x400000, ("Completion Timeout",), "Completion Timeout"),
    ]
    assert found[0].header is None
    assert found[1].header is not None
    assert (found[1].header.kind, found[1].header.requester, found[1].header.tag) == (
        "configuration read, type 0",
        "00:00.0",
        0x22,
    )


def test_details_without_a_report_are_none() -> None:
    assert read(f"nvme {CARD}:   device [144d:a80a] error status/mask=00004000/00400000") == ()


@pytest.mark.published("Linux drivers/pci/pcie/aer.c, pci_print_aer: what firmware handed over")
def test_a_status_that_firmware_handed_over() -> None:
    (event,) = read(f"nvme {CARD}: AER: aer_status: 0x00004000, aer_mask: 0x00100000")
    assert (event.kind, event.address) == (EventKind.FIRMWARE_RECORD, CARD)
    assert (event.status, event.mask, event.severity) == (0x4000, 0x0010_0000, None)


def firmware(*lines: str) -> tuple[LogEvent, ...]:
    return read(*(f"{{3}}[Hardware Error]: {line}" for line in lines))


def test_a_firmware_record() -> None:
    """Linux drivers/firmware/efi/cper.c, cper_print_pcie."""
    (event,) = firmware(
        "event severity: fatal", " Error 0, type: recoverable", "  section_type: PCIe error", f"  device_id: {CARD}",
        "  aer_uncor_status: 0x00041000, aer_uncor_mask: 0x00001000",
    )  # fmt: skip
    assert (event.kind, event.address, event.severity) == (EventKind.FIRMWARE_RECORD, CARD, NONFATAL)
    assert (event.status, event.mask, event.errors) == (0x41000, 0x1000, ("Malformed TLP",))


def test_a_firmware_record_without_sections_has_the_severity_of_the_whole() -> None:
    (event,) = firmware(
        "event severity: fatal", f"  device_id: {CARD}", "  aer_cor_status: 0x00001000, aer_cor_mask: 0x00000000"
    )
    assert (event.address, event.severity, event.status, event.errors) == (
        CARD,
        FATAL,
        0x1000,
        ("Replay Timer Timeout",),
    )


def test_a_cxl_section_is_ours_and_others_are_not() -> None:
    lines = ("event severity: corrected", " Error 0, type: corrected", "  section_type: {}", f"  device_id: {CARD}")
    assert len(firmware(*(line.format("CXL Protocol Error") for line in lines))) == 1
    assert firmware(*(line.format("memory error") for line in lines)) == ()


def test_a_line_of_a_record_that_was_not_begun_is_none() -> None:
    assert firmware("  section_type: PCIe error", f"  device_id: {CARD}") == ()


def test_boots_are_counted_where_there_are_several() -> None:
    line = LogLine(f"pcieport {PORT}: pciehp: Slot(3): Link Down", 5.0)
    assert [event.boot for event in log_events_of_boots([[line], [], [line, line]])] == [1, 3, 3]
    assert [event.boot for event in log_events_of_boots([[line]])] == [None]
    assert log_events_of_boots([]) == ()


@pytest.mark.published(
    "Linux drivers/acpi/pci_root.c, negotiate_os_control and decode_osc_support, since commit c100beb9ccfb"
)
@pytest.mark.parametrize(
    ("line", "kept"),
    [
        ("acpi PNP0A08:00: _OSC: OS now controls [PCIeHotplug PME PCIeCapability LTR]", True),
        ("acpi PNP0A08:00: _OSC: OS now controls [PCIeHotplug PME AER PCIeCapability LTR]", False),
        ("acpi PNP0A08:00: _OSC: platform does not support [AER]", True),
        ("acpi PNP0A08:00: _OSC: platform does not support [SHPCHotplug LTR]", False),
        ("acpi PNP0A08:00: _OSC: OS supports [ExtendedConfig ASPM ClockPM Segments MSI HPX-Type3]", False),
        ("acpi PNP0A08:00: OS now controls [PCIeHotplug]", False),
    ],
)
def test_whether_firmware_keeps_the_errors(line: str, *, kept: bool) -> None:
    assert firmware_keeps_errors([LogLine("first"), LogLine(line), LogLine("last")]) == (line if kept else None)


def test_a_controller_that_gave_control_hides_none_that_did_not() -> None:
    gave, kept = (LogLine(f"_OSC: OS now controls [{words}]") for words in ("AER PME", "PME"))
    assert firmware_keeps_errors([gave, kept]) == kept.text
    assert firmware_keeps_errors([]) is None
