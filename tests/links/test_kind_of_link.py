"""What kind of place a link has: tunnels, switches on cards, parts of the chipset. Only a slot can alarm."""

from collections.abc import Callable
from typing import Any

import pytest

from fake_sysfs import Component, Machine, Port, Tree, card, machine, port, root_port, switch
from probe.audit.document import AuditDocument
from probe.links.kind_of_link import KindOfLink
from probe.registers.function import VendorSpecificHeader

Judge = Callable[[Machine | Tree], AuditDocument]
INTEL, AMD, ATI, OTHER = 0x8086, 0x1022, 0x1002, 0x144D
PORT = "0000:00:01.0"
SLOT, INSIDE, TUNNEL, INTEGRATED = KindOfLink
DISPLAY, DRIVE, BRIDGE = 0x030000, 0x010802, 0x060400


def kinds(judge: Judge, described: Machine | Tree) -> list[KindOfLink]:
    return [link.kind for link in judge(described).links]


@pytest.mark.published(
    "Linux drivers/pci/probe.c, set_pcie_thunderbolt: vendor 8086h and VSEC id 1234h (pci_ids.h, pci_regs.h)"
)
@pytest.mark.parametrize(
    ("vendor", "vsec", "kind"),
    [(INTEL, 0x1234, TUNNEL), (INTEL, 0x1233, SLOT), (INTEL, 0x1235, SLOT), (OTHER, 0x1234, SLOT), (0x8087, 0x1234, SLOT),
     (INTEL, None, SLOT), (0x8085, 0x1234, SLOT)],
)  # fmt: skip
def test_below_a_tunnels_router(vendor: int, vsec: int | None, kind: KindOfLink, judge: Judge) -> None:
    """The link that leads to the router's own card is none: it is below the root port."""
    registers: dict[Any, Any] = {} if vsec is None else {VendorSpecificHeader.vsec_id: vsec}
    router = switch(
        "8 GT/s x4", port("2.5 GT/s x4", slot=3).holds(card("8 GT/s x4")), vendor=vendor, registers=registers
    )
    assert kinds(judge, machine(root_port(PORT, "8 GT/s x4", slot=1).holds(router))) == [SLOT, kind]


@pytest.mark.parametrize(("text", "kind"), [("removable", TUNNEL), ("fixed", SLOT), ("unknown", SLOT)])
@pytest.mark.parametrize("at", [PORT, "0000:01:00.0"])
def test_removable_parts_are_tunnelled(text: str, kind: KindOfLink, at: str, judge: Judge) -> None:
    """Documentation/ABI/testing/sysfs-devices-removable: removable, fixed, unknown."""
    tree = machine(root_port(PORT, "8 GT/s x4", slot=1).holds(card("8 GT/s x4"))).build()
    assert kinds(judge, tree.with_attribute(at, "removable", text)) == [kind]


def carrier(*below: Component, slot: int | None = 1, own: int | None = None, vendor: int = OTHER) -> Machine:
    ports = [port("8 GT/s x4", slot=own, vendor=vendor).holds(item) for item in below]
    return machine(root_port(PORT, "8 GT/s x8", slot=slot).holds(switch("8 GT/s x8", *ports, vendor=vendor)))


@pytest.mark.parametrize(
    ("described", "kind"),
    [
        (carrier(card("8 GT/s x4", vendor=INTEL)), INSIDE),  # the port above has a slot, the port of the switch none
        (carrier(card("8 GT/s x4", vendor=INTEL), own=5), SLOT),
        (carrier(card("8 GT/s x4", vendor=INTEL), slot=None), SLOT),
        (carrier(card("8 GT/s x4", vendor=OTHER, class_code=DISPLAY), slot=None), INSIDE),  # one maker, and a display
        (carrier(card("8 GT/s x4", vendor=OTHER, class_code=DRIVE), slot=None), SLOT),
        (carrier(card("8 GT/s x4", vendor=INTEL, class_code=DISPLAY), slot=None), SLOT),
        (carrier(card("8 GT/s x4", vendor=OTHER, class_code=DISPLAY).also(class_code=0x040300), slot=None), INSIDE),
        (carrier(card("8 GT/s x4", vendor=OTHER, class_code=DISPLAY), own=7), INSIDE),
    ],
)  # fmt: skip
def test_inside_a_card(described: Machine, kind: KindOfLink, judge: Judge) -> None:
    assert kinds(judge, described) == [SLOT, kind]


def test_a_display_and_another_makers_drive_below_one_switch(judge: Judge) -> None:
    mixed = carrier(card("8 GT/s x4", vendor=OTHER, class_code=DISPLAY), card("8 GT/s x4", vendor=INTEL), slot=None)
    assert kinds(judge, mixed) == [SLOT, SLOT, SLOT]


def test_the_link_of_the_switch_itself_is_a_slot(judge: Judge) -> None:
    alone = machine(
        root_port(PORT, "8 GT/s x4", vendor=OTHER).holds(card("8 GT/s x4", vendor=OTHER, class_code=DISPLAY))
    )
    assert kinds(judge, alone) == [SLOT]


# Class codes by PCI_CLASS_* of the kernel's pci_ids.h; which of them chipsets carry: common practice, no published source.
BUILT_IN = (
    0x030000,
    0x038000,
    0x040100,
    0x040300,
    0x048000,
    0x0C0330,
    0x010601,
    0x108000,
    0x130000,
    0x118000,
    0x080600,
)
NEVER = (0x010802, 0x010700, 0x020000, 0x028000, 0x030200, 0x120000, 0x0C0500, 0x010400, 0x050210, 0x110000, 0x080500)


def built_in(*, maker: int, above: int, slot: int | None = None, code: int = 0x0C0330) -> Port:
    return root_port(PORT, "8 GT/s x4", vendor=above, slot=slot).holds(card("8 GT/s x4", vendor=maker, class_code=code))


@pytest.mark.parametrize("code", BUILT_IN)
@pytest.mark.parametrize(("above", "maker"), [(AMD, AMD), (AMD, ATI), (ATI, AMD), (INTEL, INTEL)])
def test_a_part_of_the_chipset(above: int, maker: int, code: int, judge: Judge) -> None:
    assert kinds(judge, machine(built_in(maker=maker, above=above, code=code))) == [INTEGRATED]


@pytest.mark.parametrize("code", NEVER)
def test_drives_networks_and_accelerators_are_never_parts_of_the_chipset(code: int, judge: Judge) -> None:
    assert kinds(judge, machine(built_in(maker=AMD, above=AMD, code=code))) == [SLOT]


@pytest.mark.parametrize(
    ("above", "maker", "slot"),
    [(AMD, INTEL, None), (INTEL, ATI, None), (OTHER, OTHER, None), (AMD, AMD, 4), (INTEL, OTHER, None),
     (0x1021, 0x1021, None), (0x1001, 0x1001, None), (0x8087, 0x8087, None)],
)  # fmt: skip
def test_another_makers_card_or_a_slot_is_no_part_of_the_chipset(
    above: int, maker: int, slot: int | None, judge: Judge
) -> None:
    assert kinds(judge, machine(built_in(maker=maker, above=above, slot=slot))) == [SLOT]


def test_one_function_that_is_not_built_in_makes_it_a_card(judge: Judge) -> None:
    usb = card("8 GT/s x4", vendor=AMD, class_code=0x0C0330)
    assert kinds(judge, machine(root_port(PORT, "8 GT/s x4", vendor=AMD).holds(usb.also(class_code=0x040300)))) == [
        INTEGRATED
    ]
    assert kinds(judge, machine(root_port(PORT, "8 GT/s x4", vendor=AMD).holds(usb.also(class_code=DRIVE)))) == [SLOT]
    assert kinds(judge, machine(root_port(PORT, "8 GT/s x4", vendor=AMD).holds(usb.also(vendor=OTHER)))) == [SLOT]


def test_an_empty_port_of_the_chipset_is_a_slot(judge: Judge) -> None:
    assert kinds(judge, machine(root_port(PORT, "8 GT/s x4", vendor=AMD))) == [SLOT]


def test_a_port_that_was_not_read_whole_is_no_part_of_the_chipset(judge: Judge) -> None:
    assert kinds(judge, machine(built_in(maker=AMD, above=AMD)).build().unprivileged()) == [SLOT]
