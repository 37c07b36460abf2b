"""How a table is written: a Structure of Registers of Fields, with every bit accounted for.

A register is a class and each of its fields an attribute that the type checker knows, with the type of its value:

    class LinkStatus(Register, name="Link Status", offset=0x12, size=2, section="7.5.3.8"):
        negotiated_link_width = coded("Negotiated Link Width", 9, 4, RO, WIDTH)       # Field[int]

A gap or an overlap between fields is a TypeError when the table loads. Nothing outside this package shifts or masks.
There is one of each row, compared by identity (`eq=False`): hashing them by content would cost a survey dear.
Section numbers are those of Base Specification 6.x, from memory.
"""

from collections.abc import Callable, Hashable, Iterator, Mapping
from enum import StrEnum
from functools import lru_cache
from typing import Any, ClassVar, Generic, TypeVar

import msgspec

T = TypeVar("T")
Fields = Mapping["Field[Any]", Any]
"""What registers are to hold: values by field."""


class Access(StrEnum):
    """Access kinds in the specification's words."""

    RO = "read only"
    RW = "read write"
    RW1C = "write 1 to clear"
    HWINIT = "hardware initialised"
    RESERVED = "reserved"


RO, RW, RW1C, HWINIT, RESERVED = Access


class Meaning(msgspec.Struct, Generic[T], frozen=True, eq=False):
    """How the raw number of a field reads: a function to a value, where None says reserved, and a unit.

    `one` is the unit of a value of 1; `write` puts the raw number into words where the value itself does not read well.
    """

    decode: Callable[[int], T | None]
    unit: str = ""
    write: Callable[[int], str] | None = None
    one: str | None = None

    def text(self, raw: int) -> str:
        """The value as a person reads it."""
        if self.write is not None:
            return f"{self.write(raw)}{self.unit}"
        value = self.decode(raw)
        if value is None:
            return "reserved"
        if isinstance(value, bool):
            return "set" if value else "clear"
        if isinstance(value, float):
            return f"{value:g}{self.unit}"
        return f"{value}{self.one if value == 1 and self.one is not None else self.unit}"


def names(table: Mapping[int, str]) -> Meaning[str]:
    """A field whose encodings have names; those not listed are reserved."""
    return Meaning(table.get)


NUMBER: Meaning[int] = Meaning(int)
FLAG: Meaning[bool] = Meaning(bool)
HEX: Meaning[int] = Meaning(int, write=hex)


class Field(msgspec.Struct, Generic[T], frozen=True, eq=False):
    """Bits `high` to `low` of a register, which the field knows once the register's class is made."""

    name: str
    high: int
    low: int
    access: Access
    meaning: Meaning[T]
    register: "type[Register]"

    @property
    def mask(self) -> int:
        """The field's bits, in place."""
        return ((1 << (self.high - self.low + 1)) - 1) << self.low

    def raw(self, register_value: int) -> int:
        """The field's bits of a register value, shifted down."""
        return (register_value & self.mask) >> self.low

    def decode(self, register_value: int) -> T | None:
        """The field's value in a register value; None for a reserved encoding."""
        return _decoded(self, register_value)  # type: ignore[return-value] # the cache forgets the type

    def text(self, register_value: int) -> str:
        """The field's value as a person reads it."""
        return self.meaning.text(self.raw(register_value))

    def encode(self, value: Hashable) -> int:
        """The bits, in place, that decode to `value`. Raises ValueError if none do."""
        return _encoded(self, value, type(value))


@lru_cache(maxsize=16_384)
def _decoded(field: Field[Any], register_value: int) -> object:
    return field.meaning.decode(field.raw(register_value))


@lru_cache(maxsize=4096)
def _encoded(field: Field[Any], value: Hashable, _kind: type) -> int:
    """`_kind` keeps 1, 1.0 and True apart in the cache."""
    limit = field.mask >> field.low
    decode = field.meaning.decode
    if isinstance(value, int) and 0 <= value <= limit and decode(value) == value:
        return value << field.low
    for raw in range(min(limit, 0xFFFF) + 1):
        if decode(raw) == value:
            return raw << field.low
    message = f"{field.name} has no encoding for {value!r}"
    raise ValueError(message)


def coded(name: str, high: int, low: int, access: Access, meaning: Meaning[T]) -> Field[T]:
    """Bits with an encoding of their own."""
    return Field(name, high, low, access, meaning, Register)


def number(name: str, high: int, low: int, access: Access) -> Field[int]:
    """Bits that are a plain number."""
    return coded(name, high, low, access, NUMBER)


def hexadecimal(name: str, high: int, low: int, access: Access) -> Field[int]:
    """Bits that read best in hexadecimal: identities, masks, vendors' own."""
    return coded(name, high, low, access, HEX)


def flag(name: str, bit: int, access: Access = RW) -> Field[bool]:
    """A single bit that is set or clear."""
    return coded(name, bit, bit, access, FLAG)


class Register:
    """One register: where it stands in its structure, its size in bytes, its fields from the highest bit down.

    `reserved` lists the bits without a meaning, as pairs of high and low. `count` and `stride` repeat the register (one
    a lane). `routine` says that a survey reads it; the others are decoded where their bytes are at hand.
    Fields may come from a plain class beside this one, shared by alike registers: `access` then overrides theirs, and
    `fill` takes the place of `{}` in their names.
    """

    name: ClassVar[str]
    offset: ClassVar[int]
    size: ClassVar[int]
    section: ClassVar[str]
    fields: ClassVar[tuple[Field[Any], ...]]
    count: ClassVar[int]
    stride: ClassVar[int]
    routine: ClassVar[bool]
    structure: "ClassVar[Structure | None]" = None
    all_ones: ClassVar[int]
    no_answer: ClassVar[int | None]

    def __init_subclass__(  # noqa: PLR0913 - a register's own line in the table
        cls,
        *,
        name: str,
        offset: int,
        size: int,
        section: str,
        reserved: tuple[tuple[int, int], ...] = (),
        count: int = 1,
        stride: int = 0,
        routine: bool = True,
        access: Access | None = None,
        fill: str = "",
    ) -> None:
        """Bind the fields to this register, and hold the table to its promise: every bit once."""
        cls.name, cls.offset, cls.size, cls.section = name, offset, size, section
        cls.count, cls.stride, cls.routine = count, stride, routine
        cls.all_ones = (1 << 8 * size) - 1
        bound = {}
        for base in reversed(cls.__mro__):
            for attribute, field in vars(base).items():
                if isinstance(field, Field):
                    bound[attribute] = msgspec.structs.replace(
                        field, name=field.name.format(fill), access=access or field.access, register=cls
                    )
        for attribute, field in bound.items():
            setattr(cls, attribute, field)
        cls.fields = tuple(sorted(bound.values(), key=lambda field: -field.high))
        numbered = len(cls.fields) == 1 and cls.fields[0].access is RO  # any value may stand there, all ones too
        cls.no_answer = None if numbered and not reserved else cls.all_ones
        _every_bit_once(cls, reserved)

    @classmethod
    def pack(cls, values: Fields) -> int:
        """A register value with these fields set and all others zero. Raises KeyError or ValueError."""
        total = 0
        for field, value in values.items():
            if field.register is not cls:
                raise KeyError(field.name)
            total |= field.encode(value)
        return total

    @classmethod
    def unpack(cls, data: bytes) -> int | None:
        """The raw value in these bytes; None if they are too few or all ones, which is no answer."""
        raw = int.from_bytes(data, "little")
        return raw if len(data) == cls.size and raw != cls.no_answer else None

    @classmethod
    def instances(cls) -> Iterator[int]:
        """Each repetition's offset in the structure."""
        for index in range(cls.count):
            yield cls.offset + index * cls.stride


def _every_bit_once(register: type[Register], reserved: tuple[tuple[int, int], ...]) -> None:
    spare = [Field("reserved bits", high, low, RESERVED, HEX, register) for high, low in reserved]
    seen = 0
    for field in (*register.fields, *spare):
        if field.high < field.low or seen & field.mask:
            message = f"{register.name}: {field.name} overlaps another field"
            raise TypeError(message)
        seen |= field.mask
    if seen != register.all_ones:
        message = f"{register.name}: bits {seen ^ register.all_ones:#x} are unaccounted for"
        raise TypeError(message)


class Structure(msgspec.Struct, frozen=True, eq=False):
    """A capability: its id, whether its list is the extended one, and its registers.

    `present` picks the registers that exist, given the raw PCI Express Capabilities register of the function (0 where
    there is none); without it all do.
    """

    name: str
    id: int
    extended: bool
    registers: tuple[type[Register], ...]
    present: Callable[[int], tuple[type[Register], ...]] | None = None

    def __post_init__(self) -> None:
        """Tell each register which structure it is a part of."""
        for register in self.registers:
            register.structure = self

    def existing(self, express: int) -> tuple[type[Register], ...]:
        """The registers that a function with this PCI Express Capabilities register has."""
        return self.registers if self.present is None else self.present(express)
