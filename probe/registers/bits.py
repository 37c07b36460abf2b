"""Register values put together, cut and compared bit by bit, where it is not about one field.

May live here: arithmetic on raw values. May not: what a bit means; that is in the tables.
"""

from typing import Any

from probe.registers.table_language import Field

BYTE_BITS = 8


def all_ones(size: int) -> int:
    """What `size` bytes read as where nothing answers."""
    return (1 << BYTE_BITS * size) - 1


def merged(old: int, new: int, mask: int) -> int:
    """`new` in the bits of the mask, `old` in all others."""
    return (old & ~mask) | (new & mask)


def differing(one: int, other: int, mask: int) -> int:
    """The bits of the mask in which two values differ."""
    return (one ^ other) & mask


def within(bits: int, mask: int) -> int:
    """Those of `bits` that the mask has."""
    return bits & mask


def outside(bits: int, mask: int) -> int:
    """Those of `bits` that the mask does not have."""
    return bits & ~mask


def mask_of(*fields: Field[Any]) -> int:
    """The bits of these fields of one register, in place."""
    total = 0
    for field in fields:
        total |= field.mask
    return total


def cut(value: int, byte: int, size: int) -> int:
    """`size` bytes of a value from byte `byte` on."""
    return value >> BYTE_BITS * byte & all_ones(size)
