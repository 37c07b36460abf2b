"""Names of a place, and which agree."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from fake_sysfs import Machine, SlotRecord, Tree, card, machine, root_port
from probe.audit.document import AuditDocument, LinkDocument
from probe.links.slots import SlotName, agreement, slot_power_w
from probe.registers.slot import SlotCapabilities

One = Callable[[Machine | Tree], LinkDocument]
Judge = Callable[[Machine | Tree], AuditDocument]


def test_all_names_are_given(judge_one: One) -> None:
    holding = card("8 GT/s x4", attributes={"label": "Onboard 3", "leds/bay3:ok/brightness": "0"})
    described = machine(root_port("0000:00:01.0", "8 GT/s x4", slot=3).holds(holding))
    record = SlotRecord(designation="RISER 3", type_code=0xB4, width_code=0x0A, address="0000:00:01.0", id=3)
    link = judge_one(replace(described, smbios_slots=(record,)))
    assert link.slot is not None
    assert {item.source for item in link.slot.names} == {
        "SMBIOS", "slot directory", "Slot Capabilities", "label", "light bay3:ok",
    }  # fmt: skip
    assert link.slot.title == "RISER 3"


def test_firmware_may_name_the_function_below_or_a_peer(judge_one: One) -> None:
    described = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4")))
    below = SlotRecord(designation="BELOW", type_code=0xB4, width_code=0x0A, address="0000:01:00.0")
    peer = SlotRecord(
        designation="PEER", type_code=0xB4, width_code=0x0A, address="0000:77:00.0", peers=(("0000:01:00.0", 4),)
    )
    for record in (below, peer):
        link = judge_one(replace(described, smbios_slots=(record,)))
        assert link.slot is not None
        assert link.slot.title == record.designation


@pytest.mark.published("Linux drivers/pci/slot.c, make_slot_name: the first duplicate gets -1")
def test_duplicate_slot_names_get_the_kernels_suffix() -> None:
    described = machine(*(root_port(f"0000:00:0{n}.0", "8 GT/s x4", slot=5) for n in (1, 2, 3)))
    names = sorted(path.split("/")[4] for path in described.build().files if "/slots/" in path and "address" in path)
    assert names == ["5", "5-1", "5-2"]


@pytest.mark.parametrize(
    ("names", "sentence"),
    [
        ((("SMBIOS", "Slot 3"), ("slot directory", "3-2")), "SMBIOS and slot directory agree"),
        ((("SMBIOS", "Slot 3"), ("slot directory", "4")), "SMBIOS says Slot 3; slot directory says 4"),
        (
            (("SMBIOS", "A3"), ("slot directory", "3"), ("Slot Capabilities", "7")),
            "SMBIOS and slot directory agree on A3; Slot Capabilities says 7",
        ),
        ((("SMBIOS", "only"),), None),
    ],
)
def test_agreement(names: tuple[tuple[str, str], ...], sentence: str | None) -> None:
    assert agreement([SlotName(*item) for item in names]) == sentence


@pytest.mark.published("Linux drivers/pci/of.c, of_pci_get_slot_power_limit, and worked values beside it")
@pytest.mark.parametrize(
    ("value", "scale", "watts"),
    [(75, 1.0, 75), (250, 0.1, 25), (0xEF, 1.0, 239), (0xF0, 1.0, 250), (0xF1, 1.0, 275), (0xFE, 1.0, 600)],
)
def test_slot_power(value: int, scale: float, watts: float) -> None:
    assert slot_power_w(value, scale) == pytest.approx(watts)


def test_power_limit_is_read(judge_one: One) -> None:
    limit = {SlotCapabilities.slot_power_limit_value: 75}
    link = judge_one(machine(root_port("0000:00:01.0", "8 GT/s x4", slot=1, registers=limit).holds(card("8 GT/s x4"))))
    assert link.slot is not None
    assert link.slot.power_limit_w == 75


@pytest.mark.published("Linux drivers/pci/slot.c, make_slot_name")
@pytest.mark.parametrize("root", [True, False])
def test_the_kernels_suffix_is_no_title(judge: Judge, *, root: bool) -> None:
    """Three slots that firmware numbers 1, one called 2-1 by firmware, and names of words."""
    ports = [root_port(f"0000:00:0{n}.0", "8 GT/s x4", slot=1).holds(card("8 GT/s x4")) for n in (1, 2, 3)]
    ports += [
        root_port(f"0000:00:0{n}.0", "8 GT/s x4", slot=n, slot_name=name)
        for n, name in ((4, "2-1"), (5, "LEFT-2"), (6, "BAY"), (7, "BAY"))
    ]
    tree = machine(*ports).build()
    links = judge(tree if root else tree.unprivileged()).links
    assert [link.slot and link.slot.title for link in links] == ["1", "1", "1", "2-1", "LEFT-2", "BAY", "BAY"]
    names = [{item.name for item in link.slot.names if item.source == "slot directory"} for link in links if link.slot]
    assert names[:3] == [{"1"}, {"1-1"}, {"1-2"}]


def test_a_suffix_whose_first_is_gone_is_known_by_the_register(judge: Judge) -> None:
    described = machine(*(root_port(f"0000:00:0{n}.0", "8 GT/s x4", slot=7) for n in (1, 2)))
    tree = described.build()
    for file in ("address", "max_bus_speed", "cur_bus_speed"):
        tree = tree.with_file(f"sys/bus/pci/slots/7/{file}", None)
    assert [link.slot and link.slot.title for link in judge(tree).links] == ["7", "7"]


def test_a_number_that_firmware_gave_to_several_yields_to_the_ports_own(judge: Judge) -> None:
    """As the emulated machine of tests/guest: ACPI numbers each slot 0, Slot Capabilities say which it is."""
    ports = [root_port(f"0000:00:0{n}.0", "8 GT/s x4", slot=n, slot_name="0").holds(card("8 GT/s x4")) for n in (1, 2)]
    tree = machine(*ports).build()
    assert [link.slot and link.slot.title for link in judge(tree).links] == ["1", "2"]
    unread = judge(tree.unprivileged()).links
    assert [link.slot and link.slot.title for link in unread] == ["0", "0"]
