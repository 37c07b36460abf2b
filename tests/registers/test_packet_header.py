"""The header that an error logged, field by field. Base Specification 6.x, 2.2: figures 2-3 to 2-33 (from memory)."""

import pytest

from probe.registers.packet_header import PacketHeader, decode_header, function_of

REQUESTER, COMPLETER = 0x0108, 0x8B1F  # 01:01.0, 8b:03.7


def header(form: int, kind: int, *rest: int, length: int = 1) -> PacketHeader:
    found = decode_header((form << 29 | kind << 24 | length, *rest))
    assert found is not None
    return found


def test_a_routing_id() -> None:
    """Bus in the high byte, then five bits of device and three of function."""
    assert function_of(0x0000) == "00:00.0"
    assert function_of(REQUESTER) == "01:01.0"
    assert function_of(COMPLETER) == "8b:03.7"
    assert function_of(0xFFFF) == "ff:1f.7"


# Table 2-3: three dwords or four, with data or without.
MEMORY = [
    (0b000, "memory read", False),
    (0b001, "memory read", True),
    (0b010, "memory write", False),
    (0b011, "memory write", True),
]


@pytest.mark.parametrize(("form", "name", "wide"), MEMORY)
def test_memory_requests(form: int, name: str, *, wide: bool) -> None:
    found = header(form, 0b00000, REQUESTER << 16 | 0x5A << 8 | 0xF3, 0x1234_5677, 0x89AB_CDEF, length=16)
    address = 0x1234_5677_89AB_CDEC if wide else 0x1234_5674
    assert found == PacketHeader(
        kind=name, length_dwords=16, requester="01:01.0", tag=0x5A, first_byte_enables=0x3, last_byte_enables=0xF,
        address=f"{address:#x}",
    )  # fmt: skip


@pytest.mark.parametrize(("form", "name"), [(0b000, "I/O read"), (0b010, "I/O write")])
def test_io_requests(form: int, name: str) -> None:
    found = header(form, 0b00010, REQUESTER << 16 | 0x0F, 0x0000_03FB, 0)
    assert (found.kind, found.address, found.first_byte_enables, found.last_byte_enables) == (name, "0x3f8", 0xF, 0)
    assert (found.target, found.register, found.completer, found.status) == (None, None, None, None)


CONFIGURATION = [
    (0b000, 0b00100, "configuration read, type 0"), (0b010, 0b00100, "configuration write, type 0"),
    (0b000, 0b00101, "configuration read, type 1"), (0b010, 0b00101, "configuration write, type 1"),
]  # fmt: skip


@pytest.mark.parametrize(("form", "kind", "name"), CONFIGURATION)
def test_configuration_requests(form: int, kind: int, name: str) -> None:
    found = header(form, kind, REQUESTER << 16 | 0x07 << 8 | 0x0F, COMPLETER << 16 | 0xF << 12 | 0x123, 0xFFFF_FFFF)
    assert found == PacketHeader(
        kind=name, length_dwords=1, requester="01:01.0", tag=7, first_byte_enables=0xF, last_byte_enables=0,
        target="8b:03.7", register=0x120,
    )  # fmt: skip


@pytest.mark.parametrize(("form", "name"), [(0b000, "completion"), (0b010, "completion with data")])
@pytest.mark.parametrize(
    ("code", "status"),
    [(0, "successful"), (1, "unsupported request"), (2, "configuration retry"), (4, "completer abort"), (3, "reserved"),
     (5, "reserved"), (7, "reserved")],
)  # fmt: skip
def test_completions(form: int, name: str, code: int, status: str) -> None:
    """The completer stands where a request has its requester, and the requester in the third dword."""
    found = header(form, 0b01010, COMPLETER << 16 | code << 13 | 1 << 12 | 0x004, REQUESTER << 16 | 0x5A << 8 | 0x7F, 0)
    assert found == PacketHeader(
        kind=name, length_dwords=1, completer="8b:03.7", status=status, requester="01:01.0", tag=0x5A
    )


@pytest.mark.parametrize("kind", range(0b10000, 0b11000))
@pytest.mark.parametrize("form", [0b001, 0b011])
def test_messages(form: int, kind: int) -> None:
    found = header(form, kind, REQUESTER << 16 | 0x20 << 8 | 0x31, 0, 0)
    assert found == PacketHeader(kind="message", length_dwords=1, requester="01:01.0", tag=0x20)


@pytest.mark.parametrize(
    ("form", "kind", "name"),
    [
        (0b000, 0b11111, "Fmt 000 Type 11111"),
        (0b100, 0b00000, "Fmt 100 Type 00000"),
        (0b010, 0b01100, "Fmt 010 Type 01100"),
    ],
)
def test_kinds_without_a_name(form: int, kind: int, name: str) -> None:
    found = header(form, kind, REQUESTER << 16, 0xFFFF_FFFF, 0)
    assert found == PacketHeader(kind=name, length_dwords=1, requester="01:01.0", tag=0)


@pytest.mark.parametrize(("field", "dwords"), [(0, 1024), (1, 1), (0x3FF, 1023)])
def test_a_length_of_zero_is_1024(field: int, dwords: int) -> None:
    """Table 2-4. Bits 10 and above are of other fields."""
    assert header(0b000, 0, 0, 0, 0, length=field | 0x400).length_dwords == dwords


def test_fewer_than_four_dwords_are_no_header() -> None:
    assert decode_header((0, 0, 0)) is None
    assert decode_header(()) is None
    assert decode_header((0, 0, 0, 0, 0)) is not None
