"""How a table is written: a Structure of Registers of Fields, with every bit accounted for.

A gap or an overlap between fields is a TypeError when the table loads. Nothing else in the program shifts or masks.
Rows are compared by identity (`eq=False`): there is one of each, and hashing them by content would cost a survey dear.
Section numbers are those of Base Specification 6.x, from memory.
"""

from collections.abc import Callable, Iterator, Mapping
from enum import StrEnum
from typing import Self

import msgspec

Value = bool | int | float | str | None
"""A decoded field; None is a reserved encoding."""


class Access(StrEnum):
    """Access kinds in the specification's words."""

    RO = "read only"
    RW = "read write"
    RW1C = "write 1 to clear"
    HWINIT = "hardware initialised"
    RESERVED = "reserved"


RO, RW, RW1C, HWINIT, RESERVED = Access


class Meaning(msgspec.Struct, frozen=True, eq=False):
    """How the raw number of a field reads: a function to a value, where None says reserved, and a unit.

    `plain` says that the number itself may be given where the field is written.
    """

    decode: Callable[[int], Value]
    unit: str = ""
    plain: bool = False

    def text(self, raw: int) -> str:
        """The value as a person reads it."""
        value = self.decode(raw)
        if value is None:
            return "reserved"
        if isinstance(value, bool):
            return "set" if value else "clear"
        if isinstance(value, float):
            return f"{value:g}{self.unit}"
        return f"{value}{self.unit}"


def names(table: Mapping[int, str]) -> Meaning:
    """A field whose encodings have names; those not listed are reserved."""
    return Meaning(table.get)


NUMBER = Meaning(int, plain=True)
FLAG = Meaning(bool)
HEX = Meaning(hex, plain=True)


class Field(msgspec.Struct, frozen=True, eq=False):
    """Bits `high` to `low` of a register."""

    name: str
    high: int
    low: int
    access: Access
    meaning: Meaning = NUMBER

    @property
    def mask(self) -> int:
        """The field's bits, in place."""
        return ((1 << (self.high - self.low + 1)) - 1) << self.low

    def raw(self, register_value: int) -> int:
        """The field's bits of a register value, shifted down."""
        return (register_value & self.mask) >> self.low

    def text(self, register_value: int) -> str:
        """The field's value as a person reads it."""
        return self.meaning.text(self.raw(register_value))

    def encode(self, value: Value) -> int:
        """The bits, in place, that decode to `value`. Raises ValueError if none do."""
        limit = self.mask >> self.low
        if self.meaning.plain and isinstance(value, int) and 0 <= value <= limit:
            return value << self.low
        for raw in range(min(limit, 0xFFFF) + 1):
            if self.meaning.decode(raw) == value:
                return raw << self.low
        message = f"{self.name} has no encoding for {value!r}"
        raise ValueError(message)


def reserved(high: int, low: int | None = None) -> Field:
    """Bits without a meaning."""
    return Field("Reserved", high, high if low is None else low, RESERVED, HEX)


def flag(name: str, bit: int, access: Access = RW) -> Field:
    """A single bit that is set or clear."""
    return Field(name, bit, bit, access, FLAG)


class Register(msgspec.Struct, frozen=True, eq=False):
    """One register: where it stands in its structure, its size in bytes, its fields.

    `count` and `stride` repeat it (a register a lane). `routine` says that a survey reads it; the others are decoded
    where their bytes are at hand.
    """

    name: str
    offset: int
    size: int
    section: str
    fields: tuple[Field, ...]
    count: int = 1
    stride: int = 0
    routine: bool = True

    def __post_init__(self) -> None:
        """Hold the table to its promise: every bit once."""
        seen = 0
        for field in self.fields:
            if field.high < field.low or seen & field.mask:
                message = f"{self.name}: {field.name} overlaps another field"
                raise TypeError(message)
            seen |= field.mask
        if seen != (1 << (8 * self.size)) - 1:
            message = f"{self.name}: bits {seen ^ ((1 << (8 * self.size)) - 1):#x} are unaccounted for"
            raise TypeError(message)

    def __getitem__(self, name: str) -> "FieldOf":
        """The field of that name, bound to its register. Raises KeyError if there is none."""
        for field in self.fields:
            if field.name == name:
                return FieldOf(self, field)
        raise KeyError(name)

    def pack(self, values: Mapping[str, Value]) -> int:
        """A register value with these fields set and all others zero. Raises KeyError or ValueError."""
        total = 0
        for name, value in values.items():
            total |= self[name].field.encode(value)
        return total

    def instances(self) -> Iterator[tuple[int, Self]]:
        """Each repetition's offset."""
        for index in range(self.count):
            yield self.offset + index * self.stride, self


class FieldOf(msgspec.Struct, frozen=True, eq=False):
    """A field together with the register it is a part of."""

    register: Register
    field: Field


class Structure(msgspec.Struct, frozen=True, eq=False):
    """A capability: its id, whether its list is the extended one, and its registers.

    `present` picks the registers that exist, given the raw PCI Express Capabilities register of the function (0 where
    there is none); without it all do.
    """

    name: str
    id: int
    extended: bool
    registers: tuple[Register, ...]
    present: Callable[[int], tuple[Register, ...]] | None = None

    def existing(self, express: int) -> tuple[Register, ...]:
        """The registers that a function with this PCI Express Capabilities register has."""
        return self.registers if self.present is None else self.present(express)
