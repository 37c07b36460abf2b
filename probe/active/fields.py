"""Fields of registers written by protocols: one byte, with only the field's bits in its mask."""

from collections.abc import Hashable
from typing import TypeVar

from probe.active.asking import write
from probe.active.steps import Protocol
from probe.registers.bits import BYTE_BITS, cut
from probe.registers.table_language import Field

T = TypeVar("T", bound=Hashable)


def write_field(address: str, base: int, field: Field[T], value: T) -> Protocol[None]:
    """Write a field that lies in one byte of a register of the capability at `base`. Raises CannotWrite."""
    byte = field.low // BYTE_BITS
    offset = base + field.register.offset + byte
    yield from write(address, offset, 1, cut(field.encode(value), byte, 1), cut(field.mask, byte, 1))
