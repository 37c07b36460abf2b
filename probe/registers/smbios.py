"""SMBIOS System Slots (type 9): what the board's firmware says about each slot. DMTF DSP0134, 7.10.

Fields past the peer groups stand at 13h + 5n; the text of 3.4 prints them one byte later (an erratum).
"""

from collections.abc import Iterator

import msgspec

_NOT_APPLICABLE_SEGMENT = 0xFFFF  # kernel drivers/firmware/dmi_scan.c
_NOT_APPLICABLE = 0xFF
_END_OF_TABLE = 127
_HEADER, _LENGTH_2_0, _LENGTH_2_6, _LENGTH_3_2 = 0x04, 0x0C, 0x11, 0x13
_SYSTEM_SLOTS = 9

WIDTH_LANES = {0x08: 1, 0x09: 2, 0x0A: 4, 0x0B: 8, 0x0C: 12, 0x0D: 16, 0x0E: 32}
USAGE = {1: "other", 2: "unknown", 3: "available", 4: "in use", 5: "unavailable"}
LENGTH = {1: "other", 2: "unknown", 3: "short", 4: "long", 5: "2.5-inch drive", 6: "3.5-inch drive"}

_EDGE_CARDS = {0xA5: 1, 0xAB: 2, 0xB1: 3, 0xB8: 4, 0xBE: 5}
_EDGE_WIDTHS = ("x1", "x2", "x4", "x8", "x16")
_OTHER_TYPES = {
    0x14: "M.2 socket 1-DP", 0x15: "M.2 socket 1-SD", 0x16: "M.2 socket 2", 0x17: "M.2 socket 3",
    0x1F: "SFF-8639 drive bay, generation 2", 0x20: "SFF-8639 drive bay, generation 3",
    0x21: "Mini 52-pin with bottom-side keep-outs", 0x22: "Mini 52-pin", 0x23: "Mini 76-pin",
    0x24: "SFF-8639 drive bay, generation 4", 0x25: "SFF-8639 drive bay, generation 5",
    0x26: "OCP NIC 3.0, small", 0x27: "OCP NIC 3.0, large", 0x28: "OCP NIC before 3.0", 0x30: "CXL Flexbus 1.0",
    0xC4: "PCI Express generation 6 and later", 0xC5: "E1 drive bay", 0xC6: "E3 drive bay",
}  # fmt: skip


def _type_names() -> dict[int, str]:
    found = dict(_OTHER_TYPES)
    for code, generation in _EDGE_CARDS.items():
        found[code] = f"PCI Express generation {generation}"
        for step, width in enumerate(_EDGE_WIDTHS, start=1):
            found[code + step] = f"PCI Express generation {generation} {width}"
    return found


TYPE_NAMES = _type_names()


class Peer(msgspec.Struct, frozen=True):
    """A further function that hangs on the slot; `lanes` is the width firmware gives it."""

    segment: int
    bus: int
    device: int
    function: int
    lanes: int


class SystemSlot(msgspec.Struct, frozen=True):
    """One slot as firmware describes it. None where the structure is too short to say, or says not applicable."""

    designation: str
    type_code: int
    width_code: int
    usage: str | None
    length: str | None
    id: int
    segment: int | None = None
    bus: int | None = None
    device: int | None = None
    function: int | None = None
    base_lanes: int | None = None
    peers: tuple[Peer, ...] = ()
    information: int | None = None
    physical_lanes: int | None = None
    pitch_mm: float | None = None
    height_code: int | None = None

    @property
    def type_name(self) -> str:
        """The slot's type in words."""
        return TYPE_NAMES.get(self.type_code, f"type {self.type_code:#04x}")

    @property
    def wired_lanes(self) -> int | None:
        """Lanes wired to the slot, as firmware sees them."""
        return WIDTH_LANES.get(self.width_code)


def device_and_function(device: int, function: int) -> int:
    """The byte that holds both, as a builder writes it."""
    return device << 3 | function


def raw_structures(table: bytes) -> Iterator[bytes]:
    """Each structure with its strings, to the end of the table or the first damage."""
    at = 0
    while at + 4 <= len(table):
        length = table[at + 1]
        if length < _HEADER:
            return
        end = table.find(b"\0\0", at + length)
        if end < 0:
            return
        yield table[at : end + 2]
        if table[at] == _END_OF_TABLE:
            return
        at = end + 2


def decode_slot(raw: bytes) -> SystemSlot | None:
    """A type 9 structure with its strings; None if it is not one or shorter than version 2.0 allows."""
    length = raw[1] if len(raw) > 1 else 0
    if len(raw) < length or length < _LENGTH_2_0 or raw[0] != _SYSTEM_SLOTS:
        return None
    body, strings = raw[:length], raw[length:].split(b"\0")
    index = body[4]
    named = strings[index - 1].decode("utf-8", "replace").strip() if 0 < index <= len(strings) else ""
    segment, bus, device, function = _place(body) or (None, None, None, None)
    later = _Later.of(body)
    return SystemSlot(
        designation=named,
        type_code=body[5],
        width_code=body[6],
        usage=USAGE.get(body[7]),
        length=LENGTH.get(body[8]),
        id=_word(body, 9),
        segment=segment,
        bus=bus,
        device=device,
        function=function,
        base_lanes=later.base_lanes,
        peers=later.peers,
        information=later.information,
        physical_lanes=later.physical_lanes,
        pitch_mm=later.pitch_mm,
        height_code=later.height_code,
    )


def _word(body: bytes, at: int) -> int:
    return int.from_bytes(body[at : at + 2], "little")


def _place(body: bytes) -> tuple[int, int, int, int] | None:
    if len(body) < _LENGTH_2_6:
        return None
    segment, bus, where = _word(body, 0x0D), body[0x0F], body[0x10]
    if segment == _NOT_APPLICABLE_SEGMENT or (bus == _NOT_APPLICABLE and where == _NOT_APPLICABLE):
        return None
    return segment, bus, where >> 3, where & 7


class _Later(msgspec.Struct, frozen=True):
    """The fields added from 3.2 on, which stand behind a variable number of peers."""

    base_lanes: int | None = None
    peers: tuple[Peer, ...] = ()
    information: int | None = None
    physical_lanes: int | None = None
    pitch_mm: float | None = None
    height_code: int | None = None

    @classmethod
    def of(cls, body: bytes) -> "_Later":
        if len(body) < _LENGTH_3_2:
            return cls()
        base, count = body[0x11], body[0x12]
        after = _LENGTH_3_2 + 5 * count
        if len(body) < after:
            return cls(base)
        peers = tuple(_peers(body, count))
        if len(body) < after + 4:
            return cls(base, peers)
        height = body[after + 4] if len(body) > after + 4 else None
        return cls(base, peers, body[after], WIDTH_LANES.get(body[after + 1]), _word(body, after + 2) / 100, height)


def _peers(body: bytes, count: int) -> Iterator[Peer]:
    for at in range(0x13, 0x13 + 5 * count, 5):
        where = body[at + 3]
        yield Peer(_word(body, at), body[at + 2], where >> 3, where & 7, body[at + 4])
