"""System Slots at each length that a version of the standard gives them, and every name of its tables."""

import pytest

from probe.registers.smbios import (
    LENGTH,
    TYPE_NAMES,
    USAGE,
    Peer,
    decode_slot,
    device_and_function,
    raw_structures,
)

STRINGS = b"SLOT 1\0SLOT 2\0\0"


def body(*, length: int = 0x11, peers: bytes = b"", later: bytes = b"") -> bytes:
    """Type 9 with its second string: generation 4 x8, x8 wide, in use, long, id 0201h, 0001:05:0a.3."""
    made = bytearray(b"\x09\x00\x34\x12\x02\xbc\x0b\x04\x04\x01\x02\x04\x01\x01\x00\x05\x53")
    if length >= 0x13:
        made += bytes((8, len(peers) // 5)) + peers + later
    made = made[:length] if length < len(made) else made
    made[1] = len(made)
    return bytes(made) + STRINGS


def test_by_version() -> None:
    """DSP0134, 7.10: 0Ch bytes in 2.0, 0Dh in 2.1, 11h from 2.6, 13h and more from 3.2."""
    assert decode_slot(body(length=0x0B)) is None
    for length in (0x0C, 0x0D, 0x10):
        slot = decode_slot(body(length=length))
        assert slot is not None
        assert (slot.designation, slot.type_name, slot.wired_lanes) == ("SLOT 2", "PCI Express generation 4 x8", 8)
        assert (slot.usage, slot.length, slot.id) == ("in use", "long", 0x0201)
        assert (slot.segment, slot.bus, slot.device, slot.function) == (None, None, None, None)
    slot = decode_slot(body())
    assert slot is not None
    assert (slot.segment, slot.bus, slot.device, slot.function) == (0x0001, 5, 0x0A, 3)
    assert (slot.base_lanes, slot.peers, slot.information) == (None, (), None)


PEERS = bytes((0x02, 0x00, 0x06, 0x0B, 4)) + bytes((0x00, 0x01, 0x07, 0xFF, 2))
PEERED = (Peer(2, 6, 1, 3, 4), Peer(0x100, 7, 31, 7, 2))


@pytest.mark.parametrize(
    ("peers", "later", "base", "found", "information", "physical", "pitch", "height"),
    [
        (b"", b"", 8, (), None, None, None, None),
        (PEERS, b"", 8, PEERED, None, None, None, None),
        (PEERS, bytes((9, 0x0D, 0x34)), 8, PEERED, None, None, None, None),
        (PEERS, bytes((9, 0x0D, 0x34, 0x12)), 8, PEERED, 9, 16, 46.6, None),
        (PEERS, bytes((9, 0x0D, 0x34, 0x12, 2)), 8, PEERED, 9, 16, 46.6, 2),
        (b"", bytes((9, 0x0A, 0x10, 0x00, 1)), 8, (), 9, 4, 0.16, 1),
        (b"", bytes((9, 0x02, 0x10, 0x00, 1)), 8, (), 9, None, 0.16, 1),
    ],
)
def test_what_came_later(
    peers: bytes, later: bytes, base: int, found: tuple[Peer, ...], information: int | None, physical: int | None,
    pitch: float | None, height: int | None,
) -> None:  # fmt: skip
    slot = decode_slot(body(length=0x40, peers=peers, later=later))
    assert slot is not None
    assert (slot.base_lanes, slot.peers, slot.information) == (base, found, information)
    assert (slot.physical_lanes, slot.pitch_mm, slot.height_code) == (physical, pitch, height)


def test_peers_that_do_not_fit_are_none() -> None:
    whole = bytearray(body(length=0x40, peers=PEERS))
    whole[0x12] = 3
    slot = decode_slot(bytes(whole))
    assert slot is not None
    assert (slot.base_lanes, slot.peers) == (8, ())


@pytest.mark.parametrize(
    ("place", "applies"),
    [
        (b"\xff\xff\x05\x53", False), (b"\x00\x00\xff\xff", False), (b"\x00\x00\xff\x53", True), (b"\x00\x00\x05\xff", True),
        (b"\xff\xfe\x05\x53", True), (b"\xfe\xff\x05\x53", True),
    ],
)  # fmt: skip
def test_where_a_slot_is_not_applicable(place: bytes, *, applies: bool) -> None:
    made = bytearray(body())
    made[0x0D:0x11] = place
    slot = decode_slot(bytes(made))
    assert slot is not None
    assert (slot.bus is not None) is applies
    assert (slot.segment is not None) is applies


@pytest.mark.parametrize(("index", "name"), [(0, ""), (1, "SLOT 1"), (2, "SLOT 2"), (3, ""), (9, "")])
def test_a_designation_is_a_string_by_its_number(index: int, name: str) -> None:
    made = bytearray(body())
    made[4] = index
    slot = decode_slot(bytes(made))
    assert slot is not None
    assert slot.designation == name


def test_what_is_no_slot() -> None:
    assert decode_slot(b"") is None
    assert decode_slot(b"\x09") is None
    assert decode_slot(b"\x08" + body()[1:]) is None
    assert decode_slot(body()[:0x10]) is None
    assert decode_slot(body()[:0x11]) is not None


@pytest.mark.published("DMTF DSP0134 3.7, tables of slot types, usage and length, through EDK II SmBios.h")
def test_every_name_of_the_tables() -> None:
    assert USAGE == {1: "other", 2: "unknown", 3: "available", 4: "in use", 5: "unavailable"}
    assert LENGTH == {1: "other", 2: "unknown", 3: "short", 4: "long", 5: "2.5-inch drive", 6: "3.5-inch drive"}
    edge = {
        start + step: f"PCI Express generation {generation}{width}"
        for start, generation in ((0xA5, 1), (0xAB, 2), (0xB1, 3), (0xB8, 4), (0xBE, 5))
        for step, width in enumerate(("", " x1", " x2", " x4", " x8", " x16"))
    }
    others = {
        0x14: "M.2 socket 1-DP", 0x15: "M.2 socket 1-SD", 0x16: "M.2 socket 2", 0x17: "M.2 socket 3",
        0x1F: "SFF-8639 drive bay, generation 2", 0x20: "SFF-8639 drive bay, generation 3",
        0x21: "Mini 52-pin with bottom-side keep-outs", 0x22: "Mini 52-pin", 0x23: "Mini 76-pin",
        0x24: "SFF-8639 drive bay, generation 4", 0x25: "SFF-8639 drive bay, generation 5", 0x26: "OCP NIC 3.0, small",
        0x27: "OCP NIC 3.0, large", 0x28: "OCP NIC before 3.0", 0x30: "CXL Flexbus 1.0",
        0xC4: "PCI Express generation 6 and later", 0xC5: "E1 drive bay", 0xC6: "E3 drive bay",
    }  # fmt: skip
    assert {**edge, **others} == TYPE_NAMES


def test_a_type_or_width_without_a_name() -> None:
    made = bytearray(body())
    made[5:8] = b"\x02\x02\x09"
    slot = decode_slot(bytes(made))
    assert slot is not None
    assert (slot.type_name, slot.wired_lanes, slot.usage) == ("type 0x02", None, None)


END = b"\x7f\x04\0\0\0\0"


@pytest.mark.parametrize(
    ("table", "count"),
    [
        (body() + END + body(), 2),
        (END, 1),
        (b"", 0),
        (b"\x09\x03\0\0\0\0", 0),
        (b"\x09\x04\0\0\0\0" + body(), 2),
        (body()[:-1], 0),
        (b"\x09\x04\0", 0),
    ],
)
def test_a_table_ends_at_its_end_mark_or_at_damage(table: bytes, count: int) -> None:
    assert len(list(raw_structures(table))) == count


def test_the_byte_of_device_and_function() -> None:
    assert device_and_function(0x0A, 3) == 0x53
    assert device_and_function(31, 7) == 0xFF
