"""Facts of one function: where each comes from, and what stands in for what was not read."""

from typing import Any

import pytest
from msgspec.structs import replace

from fake_sysfs import card, machine, root_port
from probe.evidence import FunctionEvidence, Unread, Why
from probe.host.machine import read_machine
from probe.links.component import component_of
from probe.links.function import FunctionFacts
from probe.registers.class_code import ClassCode
from probe.registers.function import PowerManagementControlStatus
from probe.registers.link import LinkStatus

PATH = "devices/pci0000:00/0000:00:01.0/0000:01:00.0"


def read(**changes: Any) -> FunctionEvidence:
    """A drive, 144d:a80a of class 010802h, all of it read."""
    described = card("8 GT/s x4", vendor=0x144D, device=0xA80A, serial=0x0123_4567_89AB_CDEF, **changes)
    evidence = read_machine(machine(root_port("0000:00:01.0", "8 GT/s x4").holds(described)).build().source())
    return next(item for item in evidence.functions if item.address == "0000:01:00.0")


def without(item: FunctionEvidence, *names: str) -> FunctionEvidence:
    return replace(item, attributes={name: text for name, text in item.attributes.items() if name not in names})


def test_numbers_of_config_space_stand_in_for_files_that_were_not_read() -> None:
    blind = FunctionFacts(without(read(), "vendor", "device", "class", "subsystem_vendor", "subsystem_device"))
    assert (blind.vendor, blind.device) == (0x144D, 0xA80A)
    assert blind.class_code == ClassCode(0x01, 0x08, 0x02)
    component = component_of((blind,))
    assert component is not None
    assert (component.vendor_id, component.device_id) == ("0x144d", "0xa80a")
    assert (component.class_code, component.subsystem_id) == ("0x010802", None)
    assert component.serial == "01-23-45-67-89-ab-cd-ef"


def test_the_files_are_believed_before_config_space() -> None:
    item = read()
    files = {**item.attributes, "vendor": "0x1b36", "device": "0x0010", "class": "0x020000"}
    facts = FunctionFacts(replace(item, attributes=files))
    assert (facts.vendor, facts.device) == (0x1B36, 0x0010)
    assert facts.class_code == ClassCode(0x02, 0x00, 0x00)
    component = component_of((facts,))
    assert component is not None
    assert (component.vendor_id, component.device_id, component.class_code) == ("0x1b36", "0x0010", "0x020000")


def test_nothing_read_is_nothing_known() -> None:
    facts = FunctionFacts(FunctionEvidence(address="0000:01:00.0", path=PATH))
    assert facts.mute
    assert (facts.vendor, facts.device, facts.class_code, facts.port_type) == (None, None, None, None)
    assert (facts.power_state, facts.asleep, facts.silent, facts.hung) == (None, False, False, None)
    assert not any((facts.is_bridge, facts.is_virtual, facts.has_link_files, facts.computes_or_displays))
    component = component_of((facts,))
    assert component is not None
    assert (component.vendor_id, component.device_id, component.class_code, component.serial) == (
        None,
        None,
        None,
        None,
    )
    assert component_of(()) is None


@pytest.mark.parametrize(
    ("vendor", "device", "told"), [("0x1", "0x2", "0x1:0x2"), ("0x1", None, None), (None, "0x2", None)]
)
def test_a_subsystem_is_told_with_both_its_numbers(vendor: str | None, device: str | None, told: str | None) -> None:
    files = {"subsystem_vendor": vendor, "subsystem_device": device}
    item = without(read(), *files)
    given = {name: text for name, text in files.items() if text is not None}
    component = component_of((FunctionFacts(replace(item, attributes={**item.attributes, **given})),))
    assert component is not None
    assert component.subsystem_id == told


@pytest.mark.parametrize(("text", "node"), [("0", 0), ("1", 1), ("-1", None), ("", None)])
def test_a_node_is_a_number_from_zero(text: str, node: int | None) -> None:
    """Documentation/ABI/testing/sysfs-bus-pci, numa_node: -1 where the firmware does not say."""
    item = read()
    component = component_of((FunctionFacts(replace(item, attributes={**item.attributes, "numa_node": text})),))
    assert component is not None
    assert component.numa_node == node


def test_a_serial_number_that_only_the_kernel_gives() -> None:
    item = replace(read(), config={})
    item = replace(item, attributes={**item.attributes, "serial_number": "00-01-02-03-04-05-06-07"})
    component = component_of((FunctionFacts(item),))
    assert component is not None
    assert component.serial == "00-01-02-03-04-05-06-07"


@pytest.mark.parametrize(
    ("changes", "whole"),
    [
        ({}, True),
        ({"config": {}}, False),
        ({"config_end": 0x100}, False),
        ({"unread": (Unread(f"{PATH}/config", Why.FAILED),)}, False),
        ({"config": {}, "config_end": 0}, False),
    ],
)
def test_a_capability_is_absent_only_where_both_lists_were_read(changes: dict[str, Any], *, whole: bool) -> None:
    assert FunctionFacts(replace(read(), **changes)).capabilities_read is whole


@pytest.mark.parametrize("end", [0x100, 0x40])
def test_lists_cut_short_tell_of_no_absence(end: int) -> None:
    item = read()
    short = {start: text for start, text in item.config.items() if int(start, 16) < end}
    assert short != item.config
    assert not FunctionFacts(replace(item, config=short)).capabilities_read


@pytest.mark.parametrize(
    ("files", "register", "state", "asleep"),
    [
        ({"power_state": "D0"}, "D3hot", "D0", False),
        ({"power_state": "D3hot"}, "D0", "D3hot", True),
        ({"power_state": "D3cold", "power/runtime_status": "active"}, "D0", "D3cold", True),
        ({"power_state": "D0", "power/runtime_status": "suspended"}, "D0", "suspended", True),
        ({"power_state": "D0", "power/runtime_status": "active"}, "D0", "D0", False),
        ({"power_state": "unknown"}, "D3hot", "D3hot", True),
        ({"power_state": "error"}, "D0", "D0", False),
        ({}, "D3hot", "D3hot", True),
        ({}, "D0", "D0", False),
        ({"power/runtime_status": "suspended"}, "D0", "suspended", True),
    ],
)
def test_power_states(files: dict[str, str], register: str, state: str, *, asleep: bool) -> None:
    """Documentation/ABI/testing/sysfs-bus-pci, power_state: unknown, error, D0, D1, D2, D3hot, D3cold."""
    item = without(read(registers={PowerManagementControlStatus.power_state: register}), "power_state")
    facts = FunctionFacts(replace(item, attributes={**without(item, "power/runtime_status").attributes, **files}))
    assert facts.power_state is not None
    assert (facts.power_state.value, facts.asleep) == (state, asleep)


@pytest.mark.parametrize(
    ("class_code", "follows"),
    [(0x030000, True), (0x030200, True), (0x120000, True), (0x020000, False), (0x040000, False), (0x110000, False)],
)
def test_whose_speed_follows_its_work(class_code: int, *, follows: bool) -> None:
    assert FunctionFacts(read(class_code=class_code)).computes_or_displays is follows


def test_all_ones_are_silence_however_they_were_told() -> None:
    item = read()
    ones = replace(item, config={"0": "ff" * 64})
    told = replace(item, config={}, unread=(Unread(f"{PATH}/config", Why.ALL_ONES),))
    assert FunctionFacts(ones).silent
    assert FunctionFacts(told).silent
    assert not FunctionFacts(replace(told, unread=(Unread(f"{PATH}/config", Why.DENIED),))).silent
    assert not FunctionFacts(item).silent


def test_a_read_that_did_not_end_counts_for_config_space_or_for_all_of_it() -> None:
    item = read()
    config, other = Unread(f"{PATH}/config", Why.HUNG), Unread(f"{PATH}/label", Why.HUNG)
    assert FunctionFacts(replace(item, unread=(config,))).hung is config
    assert FunctionFacts(replace(item, unread=(other,))).hung is None
    assert FunctionFacts(replace(item, attributes={}, config={}, unread=(other,))).hung is other
    failed = Unread(f"{PATH}/config", Why.FAILED)
    assert FunctionFacts(replace(item, unread=(failed, config))).hung is config


def test_link_files_count_read_or_not() -> None:
    item = without(read(), "max_link_speed")
    assert not FunctionFacts(item).has_link_files
    assert FunctionFacts(replace(item, unread=(Unread(f"{PATH}/max_link_speed", Why.ASLEEP),))).has_link_files
    assert FunctionFacts(read()).has_link_files
    cxl = replace(item, attributes={**item.attributes, "rcd_link_cap": "423c85"})
    assert FunctionFacts(cxl).has_link_files
    assert FunctionFacts(cxl).keeps_link_in_memory
    assert not FunctionFacts(read()).keeps_link_in_memory


def test_a_fact_tells_its_register_its_offset_and_its_value() -> None:
    """Link Status at 12h of a capability at 60h; 8 GT/s x4 with the slot's clock is 0043h with bits 12 and 13."""
    fact = FunctionFacts(read()).read(LinkStatus.negotiated_link_width)
    assert fact is not None
    assert fact.source == "Link Status of 0000:01:00.0, offset 072h"
    assert fact.shown.startswith("Negotiated Link Width 4 lanes (")
    assert fact.shown.endswith("043h)")
    files = FunctionFacts(replace(read(), attributes={"label": ""}))
    empty = files.attribute("label")
    assert empty is not None
    assert (empty.source, empty.shown, empty.value) == ("label of 0000:01:00.0", "(empty)", "")
    assert files.attribute("vendor") is None


def test_a_function_is_mute_where_neither_files_nor_registers_were_read() -> None:
    whole = read()
    without_files, without_config = replace(whole, attributes={}), replace(whole, config={})
    assert [FunctionFacts(item).mute for item in (whole, without_files, without_config)] == [False] * 3
    assert FunctionFacts(replace(without_files, config={})).mute
