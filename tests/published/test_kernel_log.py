"""The kernel's log lines, as its documents and its sources print them, over the versions in service."""

import pytest

from probe.errors.log_events import EventKind, LogEvent, firmware_keeps_errors, log_events
from probe.evidence import LogLine
from probe.host.kernel_log import saved_boots, wanted_lines
from probe.registers.packet_header import decode_header

HOWTO_6_18 = """\
0000:50:00.0: PCIe Bus Error: severity=Uncorrectable (Fatal), type=Transaction Layer, (Requester ID)
0000:50:00.0:   device [8086:0329] error status/mask=00100000/00000000
0000:50:00.0:    [20] UnsupReq               (First)
0000:50:00.0: TLP Header: 0x04000001 0x00200a03 0x05010000 0x00050100
"""
HOWTO_6_1 = """\
0000:50:00.0: PCIe Bus Error: severity=Uncorrected (Fatal), type=Transaction Layer, id=0500(Requester ID)
0000:50:00.0:   device [8086:0329] error status/mask=00100000/00000000
0000:50:00.0:    [20] Unsupported Request    (First)
0000:50:00.0:   TLP Header: 04000001 00200a03 05010000 00050100
"""


def one(text: str) -> LogEvent:
    (event,) = log_events(wanted_lines(text.splitlines()))
    return event


@pytest.mark.published("Documentation/PCI/pcieaer-howto.rst, 6.18 and 6.1")
@pytest.mark.parametrize("text", [HOWTO_6_18, HOWTO_6_1])
def test_the_howtos_example(text: str) -> None:
    event = one(text)
    assert (event.kind, event.severity) == (EventKind.ERROR, "fatal")
    assert (event.status, event.mask) == (0x00100000, 0)
    assert event.errors == ("Unsupported Request Error",)
    assert event.first == "Unsupported Request Error"
    header = event.header
    assert header is not None
    assert header.kind == "configuration read, type 0"
    assert header.length_dwords == 1
    assert (header.requester, header.tag) == ("00:04.0", 0x0A)
    assert (header.last_byte_enables, header.first_byte_enables) == (0, 3)
    assert (header.target, header.register) == ("05:00.1", 0)


@pytest.mark.published("Linux drivers/pci/pcie/aer.c at 5.4, 6.1, 6.12 and 6.18; a public report each")
@pytest.mark.parametrize(
    ("text", "address", "severity", "errors"),
    [
        (
            "pcieport 0000:00:1c.0: AER: PCIe Bus Error: severity=Corrected, type=Physical Layer, (Receiver ID)\n"
            "pcieport 0000:00:1c.0: AER:   device [8086:a110] error status/mask=00000001/0000e000",
            "0000:00:1c.0", "correctable", (),
        ),
        (
            "e1000e 0000:05:00.0: PCIe Bus Error: severity=Corrected, type=Physical Layer, (Receiver ID)\n"
            "e1000e 0000:05:00.0:   device [8086:10d3] error status/mask=00000001/0000e000\n"
            "e1000e 0000:05:00.0:    [ 0] RxErr                  (First)",
            "0000:05:00.0", "correctable", ("Receiver Error",),
        ),
        (
            "nvme 0000:41:00.0: PCIe Bus Error: severity=Correctable, type=Data Link Layer, (Transmitter ID)\n"
            "nvme 0000:41:00.0:   device [1234:5678] error status/mask=00003000/00002000\n"
            "nvme 0000:41:00.0:    [12] Timeout",
            "0000:41:00.0", "correctable", ("Replay Timer Timeout",),
        ),
        (
            "pcieport 0000:00:03.0: PCIe Bus Error: severity=Corrected, type=Data Link Layer, id=0018(Transmitter ID)\n"
            "pcieport 0000:00:03.0:   device [8086:3408] error status/mask=00001000/00000000\n"
            "pcieport 0000:00:03.0:    [12] Replay Timer Timeout",
            "0000:00:03.0", "correctable", ("Replay Timer Timeout",),
        ),
        (
            "pcieport 0000:80:01.0: PCIe Bus Error: severity=Uncorrectable (Non-Fatal), type=Transaction Layer, (Completer ID)\n"
            "pcieport 0000:80:01.0:   device [8086:2030] error status/mask=00008000/00000000",
            "0000:80:01.0", "nonfatal", ("Completer Abort",),
        ),
        (
            "pcieport 0000:80:01.0: PCIe Bus Error: severity=Uncorrected (Fatal), type=Inaccessible, (Unregistered Agent ID)",
            "0000:80:01.0", "fatal", (),
        ),
    ],
)  # fmt: skip
def test_error_reports(text: str, address: str, severity: str, errors: tuple[str, ...]) -> None:
    event = one(text)
    assert (event.address, event.severity) == (address, severity)
    assert event.errors == errors or not errors


@pytest.mark.published("Linux aer.c: who reported, at 5.4 and before, 6.1 and 6.18")
@pytest.mark.parametrize(
    "text",
    [
        "pcieport 0000:00:1c.0: AER: Corrected error received: 0000:05:00.0",
        "pcieport 0000:00:1c.0: AER: Corrected error message received from 0000:05:00.0",
        "pcieport 0000:00:1c.0: AER: Multiple Correctable error message received from 0000:05:00.0",
        "pcieport 0000:00:1c.0: AER: Correctable error message received from 0000:05:00.0 (no details found",
    ],
)
def test_reported_to_the_root(text: str) -> None:
    event = one(text)
    assert (event.kind, event.address, event.severity) == (EventKind.REPORTED, "0000:05:00.0", "correctable")


@pytest.mark.published("Linux pcie/dpc.c, hotplug/pciehp_ctrl.c, pciehp_hpc.c, quirks.c, pci.c")
@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("pcieport 0000:00:1c.0: DPC: containment event, status:0x1f01 source:0x0000", EventKind.CONTAINMENT),
        (
            "pcieport 0000:00:1c.0: DPC: containment event, status:0x1f05: unmasked uncorrectable error detected",
            EventKind.CONTAINMENT,
        ),
        ("pcieport 0000:00:1c.0: pciehp: Slot(3): Link Down", EventKind.LINK_DOWN),
        ("pcieport 0000:00:1c.0: pciehp: Slot(3): Cannot train link: status 0x0041", EventKind.LINK_DOWN),
        ("pcieport 0000:00:1c.0: pciehp: Slot(3): Link Up", EventKind.LINK_UP),
        ("pcieport 0000:00:1c.0: pciehp: Slot(3): Card present", EventKind.CARD),
        ("pcieport 0000:00:1c.0: pciehp: Slot(3): Card not present", EventKind.CARD_OUT),
        (
            "pci 0000:02:03.0: broken device, retraining non-functional downstream link at 2.5GT/s",
            EventKind.SPEED_HELD,
        ),
        (
            "pci 0000:01:00.0: 31.504 Gb/s available PCIe bandwidth, limited by 8.0 GT/s PCIe x4 link at 0000:00:1d.0 "
            "(capable of 63.012 Gb/s with 16.0 GT/s PCIe x4 link)",
            EventKind.BANDWIDTH,
        ),
        (
            "pci 0000:01:00.0: 31.504 Gb/s available PCIe bandwidth, limited by 8 GT/s x4 link at 0000:00:1d.0 "
            "(capable of 63.012 Gb/s with 16 GT/s x4 link)",
            EventKind.BANDWIDTH,
        ),
    ],
)
def test_other_events(text: str, kind: EventKind) -> None:
    assert one(text).kind is kind


CPER = """\
[ 1234.500000] {1}[Hardware Error]: Hardware error from APEI Generic Hardware Error Source: 4
[ 1234.500001] {1}[Hardware Error]: It has been corrected by h/w and requires no further action
[ 1234.500002] {1}[Hardware Error]: event severity: corrected
[ 1234.500003] {1}[Hardware Error]:  Error 0, type: corrected
[ 1234.500004] {1}[Hardware Error]:   section_type: PCIe error
[ 1234.500005] {1}[Hardware Error]:   port_type: 4, root port
[ 1234.500006] {1}[Hardware Error]:   device_id: 0000:00:03.0
[ 1234.500007] {1}[Hardware Error]:   aer_cor_status: 0x00000001, aer_cor_mask: 0x00002000
"""


@pytest.mark.published("Linux drivers/firmware/efi/cper.c, cper_print_pcie (shape from memory)")
def test_a_record_of_firmware() -> None:
    (event,) = log_events(wanted_lines(CPER.splitlines()))
    assert (event.kind, event.address, event.severity) == (EventKind.FIRMWARE_RECORD, "0000:00:03.0", "correctable")
    assert event.errors == ("Receiver Error",)
    assert event.time_s == 1234.500002


@pytest.mark.published("Linux drivers/acpi/pci_root.c, negotiate_os_control")
@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("acpi PNP0A08:00: _OSC: OS now controls [PCIeHotplug SHPCHotplug PME AER PCIeCapability LTR DPC]", False),
        ("acpi PNP0A08:00: _OSC: OS now controls [PCIeHotplug PME PCIeCapability LTR]", True),
        ("acpi PNP0A08:00: _OSC: platform does not support [AER LTR]", True),
        ("acpi PNP0A08:00: _OSC: OS supports [ExtendedConfig ASPM ClockPM Segments MSI HPX-Type3]", False),
    ],
)
def test_who_controls_errors(text: str, kept: bool) -> None:
    assert (firmware_keeps_errors([LogLine(text)]) is not None) == kept


@pytest.mark.published("systemd.io, Journal Export Formats")
def test_the_journals_export() -> None:
    text = """\
__CURSOR=s=1
__MONOTONIC_TIMESTAMP=99
_TRANSPORT=kernel
_SOURCE_MONOTONIC_TIMESTAMP=5140900
MESSAGE=pcieport 0000:00:1c.0: pciehp: Slot(3): Link Down

__CURSOR=s=2
_TRANSPORT=stdout
MESSAGE=pcieport 0000:00:1c.0: pciehp: Slot(3): Link Up
"""
    (lines,) = saved_boots(text, "log")
    (event,) = log_events(lines)
    assert (event.kind, event.time_s) == (EventKind.LINK_DOWN, 5.1409)


@pytest.mark.published("Fmt and Type values: CSDN 128044584, crate rtlp-lib; I/O and MsgD from memory")
@pytest.mark.parametrize(
    ("first", "kind"),
    [
        (0x00000001, "memory read"), (0x20000001, "memory read"), (0x40000001, "memory write"),
        (0x60000001, "memory write"), (0x02000001, "I/O read"), (0x42000001, "I/O write"),
        (0x04000001, "configuration read, type 0"), (0x44000001, "configuration write, type 0"),
        (0x05000001, "configuration read, type 1"), (0x45000001, "configuration write, type 1"),
        (0x0A000001, "completion"), (0x4A000001, "completion with data"), (0x34000000, "message"), (0x74000001, "message"),
    ],
)  # fmt: skip
def test_packet_kinds(first: int, kind: str) -> None:
    header = decode_header((first, 0x0018_0A0F, 0x1234_5678, 0x9ABC_DEF0))
    assert header is not None
    assert header.kind == kind


def test_a_64_bit_address() -> None:
    header = decode_header((0x20000020, 0x3B00_01FF, 0x0000_0001, 0x8000_0040))
    assert header is not None
    assert header.address == "0x180000040"
    assert header.requester == "3b:00.0"
