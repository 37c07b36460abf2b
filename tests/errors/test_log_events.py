"""Log lines of several kernels, levels and stamps, of several boots, and of firmware records that are not ours.

Line shapes are those of the kernel's sources named in `probe/errors/log_events.py`; the stamps those of dmesg(1).
"""

import pytest

from probe.errors.log_events import EventKind, LogEvent, log_events, log_events_of_boots
from probe.host.kernel_log import saved_boots, wanted_lines

PORT = "0000:00:01.0"


def events(text: str) -> tuple[LogEvent, ...]:
    return log_events(wanted_lines(text.splitlines()))


@pytest.mark.parametrize("told", ["Link Down/Up ignored", "Link Down/Up ignored (recovered by DPC)"])
def test_an_ignored_link_down_is_none(told: str) -> None:
    assert events(f"pcieport {PORT}: pciehp: Slot(1): {told}") == ()


@pytest.mark.parametrize("prefix", ["", "AER: "])
@pytest.mark.parametrize("bus", ["PCIe", "CXL"])
def test_details_with_and_without_a_prefix(prefix: str, bus: str) -> None:
    text = f"""\
[    9.0] pcieport {PORT}: {prefix}{bus} Bus Error: severity=Correctable, type=Physical Layer, (Receiver ID)
[    9.1] pcieport {PORT}: {prefix}  device [8086:9d15] error status/mask=00000041/00002000
[    9.2] pcieport {PORT}: {prefix}   [ 0] RxErr                  (First)
[    9.3] pcieport {PORT}: {prefix}   [ 6] BadTLP
"""
    (event,) = events(text)
    assert (event.kind, event.address, event.status) == (EventKind.ERROR, PORT, 0x41)
    assert event.errors == ("Receiver Error", "Bad TLP")
    assert event.first == "Receiver Error"


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (f"pciehp {PORT}:pcie004: Slot(1): Link Down", EventKind.LINK_DOWN),
        (f"pciehp {PORT}:pcie004: Slot(1): Card not present", EventKind.CARD_OUT),
        (f"dpc {PORT}:pcie010: DPC containment event, status:0x1f01 source:0x0000", EventKind.CONTAINMENT),
        (f"dpc {PORT}:pcie010: DPC: containment event, status:0x1f01 source:0x0000", EventKind.CONTAINMENT),
        (f"pcieport {PORT}: DPC: containment event, status:0x1f01: ERR_FATAL received", EventKind.CONTAINMENT),
    ],
)
def test_names_of_port_services(line: str, kind: EventKind) -> None:
    (event,) = events(line)
    assert (event.address, event.kind) == (PORT, kind)


@pytest.mark.parametrize(
    ("stamp", "time_s"),
    [
        ("[    5.140900] ", 5.1409),
        ("<3>[    5.140900] ", 5.1409),
        ("kern  :err   : [    5.140900] ", 5.1409),
        ("[    5.140900 <    0.000123>] ", 5.1409),
        ("kern  :err   : [    5.140900 <    0.000123>] ", 5.1409),
        ("[    5.140900][    T1] ", 5.1409),
        ("[Wed Nov 25 15:33:33 2026] ", None),
        ("Nov 25 15:33:33 host kernel: ", None),
        ("2026-11-25T15:33:33+0000 host kernel: ", None),
    ],
)
def test_stamps(stamp: str, time_s: float | None) -> None:
    (event,) = events(f"{stamp}pcieport {PORT}: pciehp: Slot(1): Link Down")
    assert (event.kind, event.address, event.time_s) == (EventKind.LINK_DOWN, PORT, time_s)


def test_lines_that_the_kernel_left_out() -> None:
    (event,) = events("[    9.0] aer_ratelimit: 31 callbacks suppressed")
    assert (event.kind, event.suppressed) == (EventKind.SUPPRESSED, 31)
    assert events("[    9.0] net_ratelimit: 31 callbacks suppressed") == ()


RECORDS = f"""\
[  1.0] {{7}}[Hardware Error]: Hardware error from APEI Generic Hardware Error Source: 4
[  1.0] {{7}}[Hardware Error]: event severity: recoverable
[  1.0] {{7}}[Hardware Error]:  Error 0, type: recoverable
[  1.0] {{7}}[Hardware Error]:   section_type: memory error
[  1.0] {{7}}[Hardware Error]:   physical_address: 0x0000000012345000
[  1.0] {{7}}[Hardware Error]:  Error 1, type: corrected
[  1.0] {{7}}[Hardware Error]:   section_type: PCIe error
[  1.0] {{7}}[Hardware Error]:   device_id: {PORT}
[  1.0] {{7}}[Hardware Error]:   aer_cor_status: 0x00000001, aer_cor_mask: 0x00002000
[  1.0] {{7}}[Hardware Error]:  Error 2, type: recoverable
[  1.0] {{7}}[Hardware Error]:   section_type: PCIe error
[  1.0] {{7}}[Hardware Error]:   device_id: 0000:01:00.0
[  1.0] {{7}}[Hardware Error]:   aer_uncor_status: 0x00004000, aer_uncor_mask: 0x00000000
"""


def test_a_firmware_record_of_several_sections() -> None:
    found = events(RECORDS)
    assert [(event.address, event.severity, event.errors) for event in found] == [
        (PORT, "correctable", ("Receiver Error",)),
        ("0000:01:00.0", "nonfatal", ("Completion Timeout",)),
    ]


def test_records_that_are_interleaved() -> None:
    other = RECORDS.replace("{7}", "{8}").replace(PORT, "0000:00:02.0")
    mixed = "\n".join(line for pair in zip(RECORDS.splitlines(), other.splitlines(), strict=True) for line in pair)
    assert [event.address for event in events(mixed)] == [PORT, "0000:00:02.0", "0000:01:00.0", "0000:01:00.0"]


def test_a_record_of_memory_is_not_ours() -> None:
    memory = "\n".join(RECORDS.splitlines()[:5])
    assert events(memory) == ()


DOWN, UP = f"pcieport {PORT}: pciehp: Slot(1): Link Down", f"pcieport {PORT}: pciehp: Slot(1): Link Up"


@pytest.mark.parametrize(
    "text",
    [
        f"[   50.0] {DOWN}\n[    0.0] Linux version 6.12.0\n[    3.0] {UP}\n",
        f"[   50.0] {DOWN}\n[    3.0] {UP}\n",
        f"Nov 25 host kernel: {DOWN}\n-- Reboot --\nNov 25 host kernel: {UP}\n",
        f"-- Boot 0123 --\nNov 25 host kernel: {DOWN}\n-- Boot 4567 --\nNov 25 host kernel: {UP}\n",
        f"Nov 25 host kernel: {DOWN}\nNov 25 host kernel: Linux version 6.12.0\nNov 25 host kernel: {UP}\n",
        "__CURSOR=1\n_BOOT_ID=a\n_TRANSPORT=kernel\n"
        f"MESSAGE={DOWN}\n\n__CURSOR=2\n_BOOT_ID=b\n_TRANSPORT=kernel\nMESSAGE={UP}\n",
    ],
)
def test_two_boots_are_two_time_lines(text: str) -> None:
    found = log_events_of_boots(saved_boots(text, "log"))
    assert [(event.kind, event.boot) for event in found] == [(EventKind.LINK_DOWN, 1), (EventKind.LINK_UP, 2)]


def test_one_boot_is_not_numbered() -> None:
    text = f"[    0.0] Linux version 6.12.0\n[    5.0000009] {DOWN}\n[    4.9999991] {UP}\n"
    assert [event.boot for event in log_events_of_boots(saved_boots(text, "log"))] == [None, None]


def test_a_report_does_not_go_on_in_the_next_boot() -> None:
    first = f"[    9.0] pcieport {PORT}: AER: PCIe Bus Error: severity=Correctable, type=Physical Layer, (Receiver ID)"
    rest = f"[    1.0] pcieport {PORT}:   device [8086:9d15] error status/mask=00000001/00002000"
    (event,) = log_events_of_boots(saved_boots(f"{first}\n{rest}\n", "log"))
    assert event.status is None
