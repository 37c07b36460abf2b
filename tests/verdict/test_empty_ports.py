"""A port with nothing below it whose registers could not all be read: never called empty without a register that says so."""

from collections.abc import Callable
from typing import Any

import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.document import LinkDocument
from probe.evidence import Why
from probe.registers.containment import DpcErrorSourceId, DpcStatus
from probe.registers.slot import SlotStatus
from probe.verdict.verdicts import Verdict

One = Callable[[Machine | Tree], LinkDocument]
PORT = "0000:00:01.0"
EXPRESS_AT = 0x60


def empty(slot: int | None = 1, **registers: Any) -> Tree:
    return machine(root_port(PORT, "16 GT/s x16", slot=slot, **registers)).build()


@pytest.mark.parametrize(
    ("why", "words"),
    [
        (Why.SHORT, "whether something is attached was not read: it needs root"),
        (Why.DENIED, "whether something is attached was not read: it needs root"),
        (Why.FAILED, "whether something is attached was not read"),
        (Why.GONE, "whether something is attached was not read"),
    ],
)
def test_why_it_is_not_known_whether_something_is_attached(why: Why, words: str, judge_one: One) -> None:
    link = judge_one(empty().failing(PORT, "config", why))
    assert link.verdict is Verdict.UNJUDGED
    assert [(reason.value, reason.meaning) for reason in link.reasons] == [(str(why), words)]
    assert link.reasons[0].source.endswith(f"{PORT}/config")


def test_a_port_that_sleeps_was_not_asked(judge_one: One) -> None:
    link = judge_one(empty(power_state="D3cold").failing(PORT, "config", Why.ASLEEP))
    assert link.verdict is Verdict.UNJUDGED
    assert [(reason.value, reason.meaning) for reason in link.reasons] == [
        ("D3cold", "the port sleeps: whether something is attached was not read")
    ]


def test_a_slot_whose_status_gives_no_answer_is_not_empty(judge_one: One) -> None:
    link = judge_one(empty().with_bytes(PORT, EXPRESS_AT + SlotStatus.offset, b"\xff\xff"))
    assert link.verdict is Verdict.UNJUDGED
    assert [(reason.source, reason.value) for reason in link.reasons] == [
        (f"Slot Status and Link Status of {PORT}", "not read")
    ]


def contained(**registers: Any) -> Tree:
    return empty(registers={DpcStatus.dpc_trigger_status: False, **registers})


def dpc_at(tree: Tree) -> int:
    (data,) = (data for path, data in tree.files.items() if path.endswith(f"/{PORT}/config"))
    at = 0x100
    while int.from_bytes(data[at : at + 2], "little") != 0x001D:
        at = int.from_bytes(data[at : at + 4], "little") >> 20
    return at


def test_containment_that_gives_no_answer_may_hold_the_link_down(judge_one: One) -> None:
    tree = contained()
    assert judge_one(tree).verdict is Verdict.EMPTY
    silent = tree.with_bytes(PORT, dpc_at(tree) + DpcStatus.offset, b"\xff\xff")
    assert judge_one(silent).verdict is Verdict.UNJUDGED


@pytest.mark.parametrize(
    ("reason", "extension", "told"),
    [
        ("unmasked uncorrectable error", "RP PIO error", "unmasked uncorrectable error"),
        ("see extension", "RP PIO error", "RP PIO error"),
        ("see extension", "software trigger", "software trigger"),
        ("ERR_FATAL received", "software trigger", "ERR_FATAL received from 0000:05:1f.3"),
        ("ERR_NONFATAL received", "RP PIO error", "ERR_NONFATAL received from 0000:05:1f.3"),
    ],
)
def test_why_containment_triggered(reason: str, extension: str, told: str, judge_one: One) -> None:
    registers: dict[Any, Any] = {
        DpcStatus.dpc_trigger_status: True, DpcStatus.dpc_trigger_reason: reason,
        DpcStatus.dpc_trigger_reason_extension: extension, DpcErrorSourceId.bus_number: 5,
        DpcErrorSourceId.device_number: 31, DpcErrorSourceId.function_number: 3,
    }  # fmt: skip
    link = judge_one(empty(registers=registers))
    assert (link.verdict, link.urgent) == (Verdict.UNJUDGED, True)
    assert link.reasons[1].meaning == f"why it triggered: {told}"


def test_a_source_that_gives_no_answer_names_nobody(judge_one: One) -> None:
    registers: dict[Any, Any] = {DpcStatus.dpc_trigger_status: True, DpcStatus.dpc_trigger_reason: "ERR_FATAL received"}
    tree = empty(registers=registers)
    link = judge_one(tree.with_bytes(PORT, dpc_at(tree) + DpcErrorSourceId.offset, b"\xff\xff"))
    assert link.reasons[1].meaning == "why it triggered: ERR_FATAL received"


def test_an_extension_of_a_reserved_value_is_left_out(judge_one: One) -> None:
    registers: dict[Any, Any] = {DpcStatus.dpc_trigger_status: True, DpcStatus.dpc_trigger_reason: "see extension"}
    tree = empty(registers=registers)
    at = dpc_at(tree) + DpcStatus.offset
    link = judge_one(tree.with_bytes(PORT, at, (0x0001 | 3 << 1 | 2 << 5).to_bytes(2, "little")))
    assert len(link.reasons) == 1


def test_without_a_slot_the_link_tells(judge_one: One) -> None:
    link = judge_one(empty(None))
    assert link.verdict is Verdict.EMPTY
    assert link.reasons[0].source.startswith("Link Status of")
    slotted = judge_one(empty(1))
    assert slotted.reasons[0].source.startswith("Slot Status of")
    occupied = judge_one(machine(root_port(PORT, "16 GT/s x16", slot=1).holds(card("16 GT/s x16"))))
    assert occupied.verdict is Verdict.FULL
