"""Whatever a description overrides stands in what is built, or the description is refused."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fake_sysfs import card, machine, root_port
from probe.audit.audit import audit
from probe.host.machine import read_machine
from probe.links.function import FunctionFacts
from probe.registers.catalogue import STRUCTURES
from probe.registers.containment import DpcStatus
from probe.registers.header import Command
from probe.registers.slot import SlotStatus
from probe.registers.table_language import Field

PORT, CARD = "0000:00:01.0", "0000:01:00.0"
FLAGS = [
    field
    for structure in STRUCTURES
    for register in structure.registers
    if register.routine
    for field in register.fields
    if field.high == field.low and isinstance(field.meaning.decode(1), bool)
]


def built(port: dict[Field[Any], Any], component: dict[Field[Any], Any]) -> dict[str, FunctionFacts]:
    described = machine(
        root_port(PORT, "16 GT/s x8", slot=1, registers=port).holds(card("16 GT/s x8", registers=component))
    )
    evidence = read_machine(described.build().source())
    return {item.address: FunctionFacts(item) for item in evidence.functions}


@given(st.sampled_from(FLAGS))
def test_a_bit_of_any_table(field: Field[bool]) -> None:
    found = built({field: True}, {})[PORT].read(field)
    assert found is not None
    assert found.value is True


def test_a_capability_is_added_for_its_register() -> None:
    bits: dict[Field[Any], Any] = {
        DpcStatus.dpc_trigger_status: True,
        DpcStatus.dpc_trigger_reason: "ERR_FATAL received",
    }
    port = built(bits, {})[PORT]
    reason = port.read(DpcStatus.dpc_trigger_reason)
    assert reason is not None
    assert reason.value == "ERR_FATAL received"


def test_the_header_too() -> None:
    read = built({}, {Command.serr_enable: True})[CARD].read(Command.serr_enable)
    assert read is not None
    assert read.value


def test_a_register_without_a_place_is_refused() -> None:
    with pytest.raises(ValueError, match="no place for Slot Status"):
        built({}, {SlotStatus.power_fault_detected: True})


def test_a_file_that_is_not_there_cannot_be_taken_away() -> None:
    described = machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4", attributes={"max_link_sped": None})))
    with pytest.raises(ValueError, match="max_link_sped"):
        described.build()


def test_what_is_added_does_not_disturb_the_judge() -> None:
    described = machine(
        root_port(PORT, "16 GT/s x8", registers={DpcStatus.dpc_rp_busy: False}).holds(card("16 GT/s x8"))
    )
    (link,) = audit(read_machine(described.build().source())).links
    assert link.verdict == "full"
