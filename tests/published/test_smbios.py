"""SMBIOS System Slots against published vectors and codes."""

import pytest

from probe.registers.smbios import TYPE_NAMES, WIDTH_LANES, Peer, decode_slot, raw_structures

FIRST = bytes.fromhex("09111C0001A50D040405070C0100000008") + b"J6B2\0\0"
SECOND = bytes.fromhex("091C1C0001A50D040400000C010000000899012301040506 0708AB09".replace(" ", "")) + b"J6B2\0\0"


@pytest.mark.published("crate smbios-lib, system_slot.rs unit tests (follows DMTF DSP0134 3.9.0)")
def test_a_slot_of_2_6() -> None:
    slot = decode_slot(FIRST)
    assert slot is not None
    assert slot.designation == "J6B2"
    assert slot.type_name == "PCI Express generation 1"
    assert (slot.wired_lanes, slot.usage, slot.length, slot.id) == (16, "in use", "long", 0x0705)
    assert (slot.segment, slot.bus, slot.device, slot.function) == (0, 0, 1, 0)
    assert slot.base_lanes is None
    assert slot.peers == ()


@pytest.mark.published("crate smbios-lib, system_slot.rs unit tests; fields past the peers at 13h + 5n")
def test_a_slot_of_3_4() -> None:
    slot = decode_slot(SECOND)
    assert slot is not None
    assert slot.base_lanes == 0x99
    assert slot.peers == (Peer(segment=0x0123, bus=4, device=0, function=5, lanes=6),)
    assert slot.information == 7
    assert slot.physical_lanes == 1
    assert slot.pitch_mm == pytest.approx(24.75)


@pytest.mark.published("DMTF DSP0134 table of slot types, through EDK II SmBios.h")
@pytest.mark.parametrize(
    ("code", "name"),
    [
        (0xA6, "PCI Express generation 1 x1"), (0xAA, "PCI Express generation 1 x16"),
        (0xAC, "PCI Express generation 2 x1"), (0xB0, "PCI Express generation 2 x16"),
        (0xB6, "PCI Express generation 3 x16"), (0xB9, "PCI Express generation 4 x1"),
        (0xBD, "PCI Express generation 4 x16"), (0xBF, "PCI Express generation 5 x1"),
        (0xC3, "PCI Express generation 5 x16"),
    ],
)  # fmt: skip
def test_type_codes(code: int, name: str) -> None:
    assert TYPE_NAMES[code] == name


@pytest.mark.published("DMTF DSP0134 table of slot widths")
def test_width_codes() -> None:
    assert WIDTH_LANES == {0x08: 1, 0x09: 2, 0x0A: 4, 0x0B: 8, 0x0C: 12, 0x0D: 16, 0x0E: 32}


@pytest.mark.published("Linux drivers/firmware/dmi_scan.c: FFFFh and FFh are not applicable")
def test_not_applicable() -> None:
    body = bytearray(FIRST)
    body[0x0D:0x11] = b"\xff\xff\xff\xff"
    slot = decode_slot(bytes(body))
    assert slot is not None
    assert (slot.segment, slot.bus, slot.device) == (None, None, None)


def test_structures_end_at_damage() -> None:
    assert list(raw_structures(FIRST + SECOND)) == [FIRST, SECOND]
    assert list(raw_structures(FIRST + b"\x09\x02\0\0")) == [FIRST]
    assert list(raw_structures(FIRST[:-1])) == []
