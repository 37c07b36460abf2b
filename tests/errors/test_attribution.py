"""Errors attributed to an end and a direction, one event told once."""

import msgspec
import pytest

from fake_sysfs import Machine, card, machine, root_port
from probe.audit.audit import audit
from probe.errors.attribution import NO_DIRECTION, TO_COMPONENT, TO_HOST, direction, findings
from probe.errors.counts import ErrorCount
from probe.errors.kinds import ERROR_KINDS
from probe.evidence import LogLine
from probe.host.machine import read_machine
from probe.links.link import WhichEnd
from probe.registers.device import DeviceControl
from probe.registers.errors import CORRECTABLE_NAMES, UNCORRECTABLE_NAMES, CorrectableErrorMask, Severity

F0, F1, ROOT = "0000:01:00.0", "0000:01:00.1", "0000:00:01.0"
PORT, COMPONENT = WhichEnd
CORRECTABLE, NONFATAL, FATAL = Severity


@pytest.mark.published(
    "FrameworkComputer SoftwareFirmwareIssueTracker issue 41: a pair of one fault, host to component"
)
def test_a_drive_that_cannot_hear_and_a_port_that_is_not_answered_are_one_fault() -> None:
    (found,) = findings([
        ErrorCount(COMPONENT, F0, CORRECTABLE, "Receiver Error", 9), ErrorCount(PORT, ROOT, CORRECTABLE, "Replay Timer Timeout", 7),
    ])  # fmt: skip
    assert (found.direction, found.events) == (TO_COMPONENT, 9)
    assert {row.end for row in found.rows} == {PORT, COMPONENT}


@pytest.mark.parametrize(
    ("end", "error", "way"),
    [
        (PORT, "Receiver Error", TO_HOST), (PORT, "Bad TLP", TO_HOST), (PORT, "Bad DLLP", TO_HOST),
        (PORT, "Replay Timer Timeout", TO_COMPONENT), (PORT, "REPLAY_NUM Rollover", TO_COMPONENT),
        (COMPONENT, "Receiver Error", TO_COMPONENT), (COMPONENT, "Bad TLP", TO_COMPONENT),
        (COMPONENT, "Replay Timer Timeout", TO_HOST), (COMPONENT, "Completion Timeout", NO_DIRECTION),
        (PORT, "Advisory Non-Fatal Error", NO_DIRECTION), (PORT, "BrandNewErr", NO_DIRECTION),
    ],
)  # fmt: skip
def test_direction(end: WhichEnd, error: str, way: str) -> None:
    assert direction(end, error) == way


@pytest.mark.published("Intel document 849494, known issue 2.1.1.1: every function reports one event of the link")
def test_functions_that_report_the_same_event_are_folded() -> None:
    (found,) = findings([ErrorCount(COMPONENT, f, CORRECTABLE, "Receiver Error", n) for f, n in ((F0, 4), (F1, 5))])
    assert found.events == 5
    assert [(row.count, row.function) for row in found.rows] == [(5, F1)]


def test_both_directions_are_two_findings_and_severities_are_apart() -> None:
    found = findings([
        ErrorCount(COMPONENT, F0, CORRECTABLE, "Bad TLP", 1), ErrorCount(PORT, ROOT, CORRECTABLE, "Bad TLP", 2),
        ErrorCount(COMPONENT, F0, NONFATAL, "Completion Timeout", 1), ErrorCount(COMPONENT, F0, FATAL, "Malformed TLP", 1),
    ])  # fmt: skip
    assert [(f.severity, f.direction) for f in found] == [
        ("fatal", NO_DIRECTION),
        ("nonfatal", NO_DIRECTION),
        ("correctable", TO_HOST),
        ("correctable", TO_COMPONENT),
    ]


def test_every_error_has_a_meaning_and_causes() -> None:
    assert set(ERROR_KINDS) == {*CORRECTABLE_NAMES, *UNCORRECTABLE_NAMES}
    assert all(kind.meaning and kind.causes for kind in ERROR_KINDS.values())


def observed(described: Machine) -> list[str]:
    tree = described.build()
    return [note.meaning for note in audit(read_machine(tree.source())).observations]


def test_what_nobody_below_claims_is_unattributed() -> None:
    counted = card("8 GT/s x4", counters={"correctable": {"Receiver Error": 3}})
    port = root_port("0000:00:01.0", "8 GT/s x4", root_totals={"correctable": 8}).holds(counted)
    assert "nobody below claims 5 of 8 correctable errors that came here" in observed(machine(port))
    fair = root_port("0000:00:01.0", "8 GT/s x4", root_totals={"correctable": 3}).holds(counted)
    assert observed(machine(fair)) == []


def test_counters_are_doubted_where_they_could_not_count() -> None:
    masked = {CorrectableErrorMask.receiver_error: True}
    described = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4", registers=masked)))
    assert any("masked and not counted at 0000:01:00.0" in text for text in observed(described))
    unreported = {DeviceControl.correctable_error_reporting_enable: False}
    described = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4", registers=unreported)))
    assert any("not reported, so not counted, by 0000:01:00.0" in text for text in observed(described))
    closed = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4"))).build()
    closed = closed.with_bytes("0000:00:01.0", 0x3E, b"\0\0")
    notes = audit(read_machine(closed.source())).observations
    assert any("not forwarded, so not counted, by 0000:00:01.0" in note.meaning for note in notes)
    plain = machine(root_port("0000:00:01.0", "8 GT/s x4", has_aer=False).holds(card("8 GT/s x4", has_aer=False)))
    assert any("no function has error counters" in text for text in observed(plain))
    evidence = read_machine(machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4"))).build().source())
    for changes, word in (
        ({"command_line": "ro pci=noaer"}, "pci=noaer"),
        ({"command_line": "pcie_ports=compat"}, "pcie_ports=compat"),
    ):
        host = msgspec.structs.replace(evidence.host, **changes)
        notes = audit(msgspec.structs.replace(evidence, host=host)).observations
        assert any(word in note.meaning for note in notes)
    kept = LogLine("acpi PNP0A08:00: _OSC: OS now controls [PCIeHotplug PME PCIeCapability LTR]")
    notes = audit(msgspec.structs.replace(evidence, kernel_log=(kept,))).observations
    assert any("firmware handles errors first" in note.meaning for note in notes)
