"""Told though not worse, told once, told by what the log holds, and what could not be counted."""

from typing import Any

import msgspec
import pytest

from fake_sysfs import port, root_port, switch
from probe.audit.snapshot import Snapshot
from probe.compare.changes import Comparison, exit_status
from probe.compare.diff import compare, diff
from probe.compare.presence_changes import Gone
from probe.compare.rank import Rank
from probe.evidence import Evidence, LogLine
from probe.exit_status import ExitStatus
from probe.registers.containment import DpcStatus
from probe.registers.errors import CorrectableErrorMask
from probe.registers.link import LinkControl
from probe.registers.slot import SlotCapabilities, SlotControl, SlotStatus
from tests.compare.machines import A, B, drive, of, slot, snapshot

HOUR = 3600.0
PORT = "0000:00:01.0"


def at(hours: float, *ports: Any, log: tuple[tuple[float, str], ...] = (), **host: Any) -> Snapshot:
    """A snapshot with these lines of the port's log."""
    made = snapshot(of(*ports), uptime_s=hours * HOUR, **host)
    lines = tuple(LogLine(f"pcieport {PORT}: {text}", time_s) for time_s, text in log)
    return msgspec.structs.replace(made, evidence=msgspec.structs.replace(made.evidence, kernel_log=lines))


GOOD = at(1, slot(1, drive()))
SLOT_LOST = (2 * HOUR, "pciehp: Slot(1): Link Down")


@pytest.mark.parametrize(
    ("lines", "words", "urgent"),
    [
        (("pciehp: Slot(1): Button press: will power off in 5 sec", "pciehp: Slot(1): Link Down"), "by the button of its slot", False),
        (("pciehp: Slot(1): Powering off due to button press",), "by the button of its slot", False),
        (("pciehp: Slot(1): Card not present",), "pulled, or lost its link, without notice", True),
        (("pciehp: Slot(1): Link Down",), "pulled, or lost its link, without notice", True),
        (("pciehp: Slot(1): Power fault", "pciehp: Slot(1): Link Down"), "its slot lost power (power fault)", True),
        (("DPC: containment event, status:0x1f01 source:0x0000", "pciehp: Slot(1): Link Down"), "its port cut the link off to contain an error", True),
    ],
)  # fmt: skip
def test_each_way_of_removal_has_its_words_and_is_told_once(lines: tuple[str, ...], words: str, urgent: bool) -> None:
    log = tuple((1.5 * HOUR + number, text) for number, text in enumerate(lines))
    document = diff(GOOD, at(2, slot(1), log=log))
    (gone,) = document.changes
    assert (gone.kind, gone.urgent, gone.rank) == ("gone", urgent, Rank.WORSE if urgent else Rank.NEUTRAL)
    assert words in gone.sentence
    assert "kernel log at" in gone.evidence
    assert exit_status(document) is (ExitStatus.URGENT if urgent else ExitStatus.CLEAN)


@pytest.mark.parametrize(
    ("registers", "words", "urgent"),
    [
        ({DpcStatus.dpc_trigger_status: True}, "to contain an error", True),
        ({SlotStatus.power_fault_detected: True}, "power fault", True),
        ({SlotCapabilities.power_controller_present: True, SlotControl.power_controller_control: "power off"},
         "its slot was switched off", False),
    ],
)  # fmt: skip
def test_without_a_log_the_port_tells(registers: dict[Any, Any], words: str, urgent: bool) -> None:
    (gone,) = diff(GOOD, at(2, slot(1, registers=registers, hot_plug=True))).changes
    assert words in gone.sentence
    assert gone.urgent == urgent


def test_a_removal_that_nothing_explains_is_urgent_and_says_no_way() -> None:
    (gone,) = diff(GOOD, at(2, slot(1))).changes
    assert gone.urgent
    assert isinstance(gone.what, Gone)
    assert gone.what.removal.words == ""


def test_an_error_in_counter_and_log_is_one() -> None:
    def noisy(hours: float, count: int, *log: tuple[float, str]) -> Snapshot:
        return at(hours, slot(1, drive(), counters={"fatal": {"Malformed TLP": count}}), log=log)

    report = (
        (1.5 * HOUR, "AER: PCIe Bus Error: severity=Uncorrected (Fatal), type=Transaction Layer, (Receiver ID)"),
        (1.5 * HOUR, "  device [1234:1000] error status/mask=00040000/00000000"),
    )
    (told,) = diff(noisy(1, 0), noisy(2, 1, *report)).changes
    assert told.kind == "errors"
    (logged,) = diff(noisy(1, 0), noisy(2, 0, *report)).changes
    assert (logged.kind, logged.urgent) == ("log", True)


UP, DOWN = "pciehp: Slot(1): Link Up", "pciehp: Slot(1): Link Down"


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (((10.0, DOWN),), ((10.0, DOWN),), 0),
        (((10.0, DOWN),), ((10.0, DOWN), (20.0, UP)), 1),
        (((10.0, UP),), ((20.0, DOWN),), 1),  # the ring buffer lost the older line
        ((), ((20.0, DOWN),), 0),  # before the earlier snapshot, by uptime
        ((), ((1.5 * HOUR, DOWN),), 1),
    ],
)
def test_log_lines_are_chosen_by_what_the_earlier_log_held(
    before: tuple[tuple[float, str], ...], after: tuple[tuple[float, str], ...], told: int
) -> None:
    document = diff(at(1, slot(1, drive()), log=before), at(2, slot(1, drive()), log=after))
    assert [change.kind for change in document.changes] == ["log"] * told


def test_a_line_of_limited_bandwidth_is_told() -> None:
    line = "31.504 Gb/s available PCIe bandwidth, limited by 8 GT/s x4 link at 0000:00:01.0 (capable of 63.012 Gb/s with 16 GT/s x4 link)"
    (change,) = diff(GOOD, at(2, slot(1, drive()), log=((1.5 * HOUR, line),))).changes
    assert (change.kind, change.rank) == ("log", Rank.NEUTRAL)
    assert "bandwidth limited" in change.sentence


def test_a_target_link_speed_that_was_lowered_is_told() -> None:
    lowered = at(2, slot(1, drive(), target_gts=8.0))
    (change,) = diff(GOOD, lowered).changes
    assert (change.kind, change.rank) == ("Target Link Speed", Rank.NEUTRAL)
    assert change.sentence == "Target Link Speed changed from 16 GT/s to 8 GT/s"


def root_total(
    hours: float, total: int, counted: int = 0, severity: str = "correctable", error: str = "Bad TLP"
) -> Snapshot:
    return at(
        hours, slot(1, drive(counters={severity: {error: counted}} if counted else {}), root_totals={severity: total})
    )


def unclaimed(document: Comparison) -> list[str]:
    return [change.sentence for change in document.changes if change.kind == "unclaimed errors"]


def test_root_port_totals_that_grow_with_nobody_below_claiming() -> None:
    document = diff(root_total(1, 5), root_total(2, 12))
    assert unclaimed(document) == ["7 correctable errors came to this Root Port that no component below it claims"]
    assert exit_status(document) is ExitStatus.CLEAN
    assert unclaimed(diff(root_total(1, 5), root_total(2, 12, 7))) == []
    assert unclaimed(diff(root_total(1, 5), root_total(2, 12, 3)))[0].startswith("4 correctable")
    fatal = diff(root_total(1, 0, severity="fatal"), root_total(2, 1, severity="fatal"))
    assert exit_status(fatal) is ExitStatus.URGENT
    again = msgspec.structs.replace(root_total(1, 12), evidence=of_another_boot(root_total(1, 12)))
    assert unclaimed(diff(root_total(9, 5), again)) == []


def test_what_is_claimed_deep_below_is_claimed() -> None:
    def deep(hours: float, count: int) -> Snapshot:
        inner = port("16 GT/s x4").holds(drive(A, counters={"correctable": {"Bad TLP": count}}))
        top = root_port(PORT, "16 GT/s x4", slot=1, root_totals={"correctable": count})
        return at(hours, top.holds(switch("16 GT/s x4", inner)))

    assert unclaimed(diff(deep(1, 0), deep(2, 9))) == []


@pytest.mark.parametrize(
    ("made", "told"),
    [
        (at(2, slot(1, drive(registers={CorrectableErrorMask.receiver_error: True}))), "masked"),
        (at(2, slot(1, drive()), command_line="ro pci=noaer"), "pci=noaer"),
    ],
)
def test_what_could_not_be_counted_is_one_line(made: Snapshot, told: str) -> None:
    document = diff(made, made)
    (note,) = document.notes
    assert note.startswith("Errors may have come that were not counted: ")
    assert told in note
    assert document.nothing == "Nothing changed that could be seen."


def test_firmware_first_is_told() -> None:
    made = at(2, slot(1, drive()))
    log = (LogLine("acpi PNP0A08:00: _OSC: OS now controls [PCIeHotplug PME PCIeCapability LTR]", 0.5),)
    firmware = msgspec.structs.replace(made, evidence=msgspec.structs.replace(made.evidence, kernel_log=log))
    assert "firmware handles errors first" in diff(firmware, firmware).notes[0]


def test_a_button_in_the_middle_and_the_card_back() -> None:
    absent = at(2, slot(1), log=((1.5 * HOUR, "pciehp: Slot(1): Powering off due to button press"),))
    back = at(3, slot(1, drive()), log=((1.5 * HOUR, "pciehp: Slot(1): Powering off due to button press"),))
    assert exit_status(compare([GOOD, absent, back])) is ExitStatus.CLEAN


def test_two_cards_swapped_over_a_boot_count_anew() -> None:
    def two(hours: float, first: Any, second: Any) -> Snapshot:
        return at(hours, slot(1, first), slot(2, second))

    before = two(1, drive(A, counters={"correctable": {"Bad TLP": 9}}), drive(B))
    after = two(1, drive(B), drive(A, counters={"correctable": {"Bad TLP": 2}}))
    after = msgspec.structs.replace(after, evidence=of_another_boot(after))
    assert {change.kind for change in diff(before, after).changes} == {"moved", "errors"}


def of_another_boot(made: Snapshot) -> Evidence:
    return msgspec.structs.replace(made.evidence, host=msgspec.structs.replace(made.evidence.host, boot_id="another"))


def test_a_function_that_keeps_no_counters_has_none_that_were_not_read() -> None:
    """As an emulated NVMe drive beside another device: its lists were read whole and hold no error reporting."""
    plain = slot(1, drive(has_aer=False))
    counting = slot(2, drive(B, counters={"correctable": {"RxErr": 0}}))
    assert diff(at(1, plain, counting), at(2, plain, counting)).changes == ()


POWERED: dict[Any, Any] = {SlotCapabilities.power_controller_present: True}


@pytest.mark.parametrize(
    ("before", "after", "kind", "status"),
    [
        ({**POWERED}, {**POWERED, SlotStatus.power_fault_detected: True}, "power fault", ExitStatus.FOUND),
        ({DpcStatus.dpc_trigger_status: False}, {DpcStatus.dpc_trigger_status: True}, "containment", ExitStatus.URGENT),
    ],
)  # fmt: skip
def test_what_a_port_says_of_a_component_that_is_still_listed(
    before: dict[Any, Any], after: dict[Any, Any], kind: str, status: ExitStatus
) -> None:
    """It is told once, the way back as well, and nothing where it was so before."""
    fine, faulty = (
        at(hours, slot(1, drive(), registers=bits, hot_plug=True)) for hours, bits in ((1, before), (2, after))
    )
    document = diff(fine, faulty)
    assert [change.kind for change in document.changes if change.kind == kind] == [kind]
    assert exit_status(document) is status
    assert diff(faulty, faulty).changes == ()
    back = next(change for change in diff(faulty, at(3, slot(1, drive(), registers=before, hot_plug=True))).changes)
    assert back.rank is Rank.BETTER


def test_a_link_that_was_switched_off_is_told_and_excuses_nothing() -> None:
    """Platforms contain errors so too."""
    (gone,) = diff(GOOD, at(2, slot(1, registers={LinkControl.link_disable: True}))).changes
    assert "its link was switched off" in gone.sentence
    assert gone.urgent


def test_a_count_that_began_anew_makes_no_other_one_the_least() -> None:
    def counted(hours: float, of_drive: int, of_port: int, serial: int) -> Snapshot:
        inside = drive(serial, counters={"correctable": {"Bad TLP": of_drive}})
        return at(hours, slot(1, inside, counters={"correctable": {"Bad TLP": of_port}}))

    told = diff(counted(1, 3, 10, A), counted(2, 2, 14, B)).errors
    assert {(item.finding.events, item.floor) for item in told} == {(2, True), (4, False)}
