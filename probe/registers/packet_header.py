"""The header of a transaction layer packet, as the Header Log keeps it, decoded.

Base Specification 6.x, 2.2 (not in Flit mode, whose headers differ). Fmt and Type values: CSDN 128044584 and crate
rtlp-lib agree; rows of I/O and messages with data are from memory.
"""

import msgspec

_NAMES: dict[tuple[int, int], str] = {
    (0b000, 0b00000): "memory read", (0b001, 0b00000): "memory read",
    (0b010, 0b00000): "memory write", (0b011, 0b00000): "memory write",
    (0b000, 0b00010): "I/O read", (0b010, 0b00010): "I/O write",
    (0b000, 0b00100): "configuration read, type 0", (0b010, 0b00100): "configuration write, type 0",
    (0b000, 0b00101): "configuration read, type 1", (0b010, 0b00101): "configuration write, type 1",
    (0b000, 0b01010): "completion", (0b010, 0b01010): "completion with data",
}  # fmt: skip
_KNOWN = {
    "memory read": "address", "memory write": "address", "I/O read": "address", "I/O write": "address",
    "configuration read": "configuration", "configuration write": "configuration",
}  # fmt: skip
_MESSAGE = 0b10000
_FOUR_DWORDS = 0b001
_WORDS = 4
_STATUS = {0: "successful", 1: "unsupported request", 2: "configuration retry", 4: "completer abort"}


class PacketHeader(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What a header says; fields that its kind does not have are None. `address` is in hexadecimal."""

    kind: str
    length_dwords: int
    requester: str | None = None
    tag: int | None = None
    first_byte_enables: int | None = None
    last_byte_enables: int | None = None
    address: str | None = None
    target: str | None = None
    register: int | None = None
    completer: str | None = None
    status: str | None = None


def function_of(routing_id: int) -> str:
    """Bus, device and function of a routing ID."""
    return f"{routing_id >> 8:02x}:{routing_id >> 3 & 31:02x}.{routing_id & 7}"


def decode_header(words: tuple[int, ...]) -> PacketHeader | None:
    """The header in four dwords; None if there are fewer."""
    if len(words) < _WORDS:
        return None
    first, second, third, fourth = words[:4]
    form, kind = first >> 29 & 0b111, first >> 24 & 0b11111
    name = "message" if kind & 0b11000 == _MESSAGE else _NAMES.get((form, kind), f"Fmt {form:03b} Type {kind:05b}")
    length = first & 0x3FF or 1024
    if name.startswith("completion"):
        return PacketHeader(
            kind=name,
            length_dwords=length,
            completer=function_of(second >> 16),
            status=_STATUS.get(second >> 13 & 7, "reserved"),
            requester=function_of(third >> 16),
            tag=third >> 8 & 0xFF,
        )
    known = _KNOWN.get(name.partition(",")[0])
    is_configuration, is_memory_or_io = known == "configuration", known == "address"
    addressed = third << 32 | fourth & ~3 if form & _FOUR_DWORDS else third & ~3
    return PacketHeader(
        kind=name,
        length_dwords=length,
        requester=function_of(second >> 16),
        tag=second >> 8 & 0xFF,
        first_byte_enables=second & 0xF if known else None,
        last_byte_enables=second >> 4 & 0xF if known else None,
        target=function_of(third >> 16) if is_configuration else None,
        register=third & 0xFFC if is_configuration else None,
        address=f"{addressed:#x}" if is_memory_or_io else None,
    )
