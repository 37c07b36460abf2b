"""A value and where it was read, so that a person can check it by hand. Words are made only when somebody asks."""

from typing import Any, Generic, Protocol, TypeVar

import msgspec

from probe.address import Address
from probe.registers.table_language import Field

T = TypeVar("T")


class Site(Protocol):
    """Where a fact was read."""

    @property
    def source(self) -> str:
        """The register or file."""

    @property
    def shown(self) -> str:
        """What stood there."""


class Written(msgspec.Struct, frozen=True):
    """A site that is told in full: a file, or a state of affairs."""

    source: str
    shown: str


class InRegister(msgspec.Struct, frozen=True):
    """A field of a register of one function; `raw` is the whole register."""

    address: Address
    offset: int
    field: Field[Any]
    raw: int

    @property
    def source(self) -> str:
        """The register, the function, the offset in its config space."""
        return f"{self.field.register.name} of {self.address}, offset {self.offset:03x}h"

    @property
    def shown(self) -> str:
        """The field, its value, and the whole register in hexadecimal."""
        return f"{self.field.name} {self.field.text(self.raw)} ({self.raw:0{2 * self.field.register.size}x}h)"


class Fact(msgspec.Struct, Generic[T], frozen=True):
    """A value and where it was read."""

    value: T
    site: Site

    @property
    def source(self) -> str:
        """The register or file it was read from."""
        return self.site.source

    @property
    def shown(self) -> str:
        """What stood there."""
        return self.site.shown


def value_of(fact: Fact[T] | None) -> T | None:
    """The value of a fact, None where it was not read."""
    return None if fact is None else fact.value
