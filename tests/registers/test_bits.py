"""Arithmetic on raw values, held to worked numbers."""

import pytest

from probe.registers.bits import all_ones, cut, differing, mask_of, merged, outside, within
from probe.registers.link import LinkControl2, LinkStatus


@pytest.mark.parametrize(("size", "value"), [(1, 0xFF), (2, 0xFFFF), (4, 0xFFFF_FFFF)])
def test_all_ones(size: int, value: int) -> None:
    assert all_ones(size) == value


@pytest.mark.parametrize(
    ("old", "new", "mask", "result"),
    [
        (0b1100, 0b1010, 0b0110, 0b1010),
        (0xFFFF, 0x0000, 0x00F0, 0xFF0F),
        (0x0000, 0xFFFF, 0x00F0, 0x00F0),
        (0x1234, 0x5678, 0x0000, 0x1234),
        (0x1234, 0x5678, 0xFFFF, 0x5678),
    ],
)
def test_merged(old: int, new: int, mask: int, result: int) -> None:
    assert merged(old, new, mask) == result


def test_bits_by_a_mask() -> None:
    assert differing(0b1100, 0b1010, 0b1111) == 0b0110
    assert differing(0b1100, 0b1010, 0b0100) == 0b0100
    assert differing(0b1100, 0b1100, 0b1111) == 0
    assert within(0b1100, 0b1010) == 0b1000
    assert outside(0b1100, 0b1010) == 0b0100
    assert within(0b1100, 0b1010) | outside(0b1100, 0b1010) == 0b1100


def test_the_mask_of_fields() -> None:
    """PCI_EXP_LNKSTA_CLS 000fh and PCI_EXP_LNKSTA_NLW 03f0h of the kernel's header."""
    assert mask_of(LinkStatus.current_link_speed) == 0x000F
    assert mask_of(LinkStatus.current_link_speed, LinkStatus.negotiated_link_width) == 0x03FF
    assert mask_of(LinkControl2.target_link_speed, LinkControl2.target_link_speed) == 0x000F
    assert mask_of() == 0


@pytest.mark.parametrize(
    ("byte", "size", "value"),
    [(0, 1, 0x78), (1, 1, 0x56), (3, 1, 0x12), (0, 2, 0x5678), (2, 2, 0x1234), (1, 2, 0x3456), (0, 4, 0x12345678)],
)
def test_cut(byte: int, size: int, value: int) -> None:
    assert cut(0x12345678, byte, size) == value
