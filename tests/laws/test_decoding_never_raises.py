"""Whatever the bytes, of any length: the walk ends, decoding gives facts or None, and nothing is raised."""

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from probe.address import Address
from probe.audit.decoding import decoded_space
from probe.registers.smbios import decode_slot, raw_structures
from probe.registers.space import EXTENDED_START, SPACE_END, ConfigSpace
from tests.search import search

HEADERS = st.sampled_from([0x01, 0x10, 0x05, 0x11, 0x00, 0xFF])


@search(300)
@given(st.binary(max_size=4200))
def test_any_bytes(data: bytes) -> None:
    document = decoded_space(ConfigSpace.from_bytes(data), "x")
    assert len(document.capabilities) <= 48 + (SPACE_END - EXTENDED_START) // 8


@st.composite
def plausible(draw: st.DrawFn) -> bytes:
    """Bytes whose lists lead somewhere, so that the walk has work to do."""
    data = bytearray(Random(draw(st.integers(0, 999))).randbytes(4096))
    data[6] |= 0x10
    data[0x34] = draw(st.integers(0x40, 0xFC))
    for _ in range(draw(st.integers(1, 8))):
        at = draw(st.integers(0x10, 0x3E)) * 4
        data[at] = draw(HEADERS)
        data[at + 1] = draw(st.integers(0, 255))
    data[data[0x34] & 0xFC] = 0x10
    for _ in range(draw(st.integers(0, 8))):
        at = draw(st.integers(0x40, 0x3FE)) * 4
        data[at : at + 4] = (draw(st.integers(0, 0x3F)) | 1 << 16 | draw(st.integers(0, 0xFFF)) << 20).to_bytes(
            4, "little"
        )
    return bytes(data)


@search(200)
@given(plausible())
def test_plausible_bytes(data: bytes) -> None:
    space = ConfigSpace.from_bytes(data)
    assert len(space.capabilities.found) <= 48 + (SPACE_END - EXTENDED_START) // 8
    decoded_space(space, "x")


@given(st.binary(max_size=600))
def test_any_smbios_table(data: bytes) -> None:
    for raw in raw_structures(data):
        decode_slot(raw)


@given(st.text(max_size=20))
def test_any_address(text: str) -> None:
    found = Address.find(text)
    assert found is None or Address.parse(str(found)) == found
