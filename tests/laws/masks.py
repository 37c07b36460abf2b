"""Strategies: machines on which anything may be wrong or at rest, and masks that take parts of the evidence away."""

from dataclasses import replace
from typing import Any

from hypothesis import strategies as st
from msgspec.structs import replace as with_fields

from fake_sysfs import Component, Machine, Port, SlotRecord, Tree, card, machine, root_port
from probe.evidence import Evidence, FunctionEvidence, Unread, Why
from probe.host.machine import read_machine
from probe.registers.containment import DpcStatus
from probe.registers.function import DeviceControl3, DeviceStatus3
from probe.registers.link import LinkControl, LinkStatus
from probe.registers.slot import SlotCapabilities, SlotControl, SlotStatus
from tests.laws.machines import components, states

_ERRORS: tuple[dict[str, dict[str, int]], ...] = (
    {},
    {},
    {"correctable": {"RxErr": 3}},
    {"correctable": {"BadTLP": 900_000}},
    {"fatal": {"DLP": 1}},
)
_PORT_REGISTERS: tuple[dict[Any, Any], ...] = (
    {},
    {},
    {LinkStatus.link_autonomous_bandwidth_status: True},
    {LinkStatus.link_autonomous_bandwidth_status: True, LinkStatus.link_bandwidth_management_status: True},
    {SlotStatus.power_fault_detected: True, SlotCapabilities.power_controller_present: True},
)
_DOWN: tuple[dict[Any, Any], ...] = (
    {},
    {DpcStatus.dpc_trigger_status: True, DpcStatus.dpc_trigger_reason: "ERR_FATAL received"},
    {LinkControl.link_disable: True},
    {SlotStatus.presence_detect_state: "card present"},
    {SlotControl.power_controller_control: "power off", SlotCapabilities.power_controller_present: True},
)
_CARD_REGISTERS: tuple[dict[Any, Any], ...] = (
    {},
    {},
    {DeviceStatus3.initial_link_width: 16, DeviceControl3.l0p_enable: True},
)
_BUSY: tuple[dict[str, str | None], ...] = ({}, {"gpu_busy_percent": "0"}, {"gpu_busy_percent": "97"})


@st.composite
def troubled_ports(draw: st.DrawFn, number: int) -> Port:
    """A Root Port with its component, faulty or not, at rest or not; or empty, switched off, contained."""
    slot, address = draw(st.none() | st.integers(1, 40)), f"0000:00:{number:02x}.0"
    if not draw(st.integers(0, 3)):
        return root_port(address, draw(states), slot=slot, registers=_with_a_place(draw(st.sampled_from(_DOWN)), slot))
    power = draw(st.sampled_from(("D0", "D0", "D3hot", "D3cold")))
    registers = draw(st.sampled_from(_PORT_REGISTERS))
    port = root_port(address, draw(states), slot=slot, registers=_with_a_place(registers, slot))
    return port.holds(draw(troubled_cards(power) | components()))


def _with_a_place(registers: dict[Any, Any], slot: int | None) -> dict[Any, Any]:
    """Slot registers exist only at a port that implements a slot."""
    return {field: value for field, value in registers.items() if slot or not field.register.name.startswith("Slot")}


@st.composite
def troubled_cards(draw: st.DrawFn, power: str) -> Component:
    """A card that may be slow, narrow, asleep, busy, idle, and may have counted errors."""
    return card(
        draw(states),
        trained=draw(st.none() | states),
        power_state=power,
        class_code=draw(st.sampled_from((0x010802, 0x020000, 0x030000, 0x120000))),
        counters=draw(st.sampled_from(_ERRORS)),
        registers=draw(st.sampled_from(_CARD_REGISTERS)),
        attributes=draw(st.sampled_from(_BUSY)),
        serial=draw(st.none() | st.integers(1, 2**64 - 1)),
    )


@st.composite
def evidence_of_troubled_machines(draw: st.DrawFn) -> Evidence:
    """Evidence as root reads it. One component may have dropped off the bus."""
    ports = [draw(troubled_ports(number)) for number in range(1, draw(st.integers(1, 3)) + 1)]
    widths = st.sampled_from((0x08, 0x0B, 0x0D))
    record = SlotRecord(designation="SLOT 1", type_code=0xB6, width_code=draw(widths), address="0000:00:01.0", id=1)
    described: Machine = replace(machine(*ports), smbios_slots=draw(st.sampled_from(((), (record,)))))
    tree: Tree = described.build()
    if ports[0].below is not None and draw(st.integers(0, 5)) == 0:
        tree = tree.silent("0000:01:00.0")
    return read_machine(tree.source())


@st.composite
def masked(draw: st.DrawFn, evidence: Evidence) -> Evidence:
    """The same machine, less of it read: of each function some files, registers or all config; of the host anything."""
    functions = tuple(draw(_less_of(function)) for function in evidence.functions)
    changed = with_fields(evidence, functions=functions)
    if draw(st.booleans()):
        changed = with_fields(changed, host=with_fields(changed.host, uptime_s=None))
    for lost in draw(st.sets(st.sampled_from(("smbios_slots", "kernel_log", "cooling", "slots")))):
        changed = with_fields(changed, **{lost: (), "unread": (*changed.unread, Unread(lost, Why.DENIED))})
    return changed


@st.composite
def _less_of(draw: st.DrawFn, function: FunctionEvidence) -> FunctionEvidence:
    files = draw(st.sets(st.sampled_from(sorted(function.attributes)), max_size=6)) if function.attributes else set()
    kept = {name: text for name, text in function.attributes.items() if name not in files}
    lost = [Unread(f"{function.path}/{name}", Why.FAILED) for name in sorted(files)]
    config, end = function.config, function.config_end
    how = draw(st.sampled_from(("whole", "whole", "registers", "header only", "nothing")))
    words = {
        int(start, 16) + at: text[2 * at : 2 * at + 8]
        for start, text in config.items()
        for at in range(0, len(text) // 2, 4)
    }
    if how == "registers" and words:
        gone = draw(st.sets(st.sampled_from(sorted(words)), max_size=12))
        config = {f"{at:x}": text for at, text in words.items() if at not in gone}
    elif how == "header only":
        config, end = {f"{at:x}": text for at, text in words.items() if at < 64}, 64
        lost.append(Unread(f"{function.path}/config", Why.SHORT))
    elif how == "nothing":
        config = {}
        lost.append(Unread(f"{function.path}/config", draw(st.sampled_from((Why.DENIED, Why.GONE, Why.FAILED)))))
    unread = (*function.unread, *lost)
    return with_fields(function, attributes=kept, config=config, config_end=end, unread=unread)
