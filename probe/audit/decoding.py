"""Every register of a config space that has a table and was read, in words."""

from collections.abc import Sequence

import msgspec
from msgspec.structs import replace

from probe.links.function import FunctionFacts
from probe.registers.catalogue import name_of
from probe.registers.header import HeaderType
from probe.registers.space import ConfigSpace
from probe.registers.table_language import Register


class DecodedField(msgspec.Struct, frozen=True):
    """One field of a register."""

    name: str
    value: str


class DecodedRegister(msgspec.Struct, frozen=True, kw_only=True):
    """One register: where it stands, its raw value in hexadecimal, its fields."""

    capability: str
    name: str
    offset: str
    raw: str
    section: str
    fields: tuple[DecodedField, ...]


class DecodedFunction(msgspec.Struct, frozen=True, kw_only=True):
    """All that was read of one function's config space; `more` are those that follow it in a dump of several."""

    address: str
    capabilities: tuple[str, ...]
    faults: tuple[str, ...]
    registers: tuple[DecodedRegister, ...]
    more: tuple["DecodedFunction", ...] = ()


def decoded_spaces(spaces: Sequence[tuple[str | None, ConfigSpace]], name: str) -> DecodedFunction:
    """The config spaces of a dump, each under its heading, else under the dump's name. Raises IndexError for none."""
    first, *others = (decoded_space(space, heading or name) for heading, space in spaces)
    return replace(first, more=tuple(others))


def decoded_function(function: FunctionFacts) -> DecodedFunction:
    """Every register of a function that has a table and was read."""
    return decoded_space(function.space, str(function.address))


def decoded_space(space: ConfigSpace, name: str) -> DecodedFunction:
    """Every register of a config space that stands alone, such as a dump."""
    return DecodedFunction(
        address=name,
        capabilities=_capability_lines(space),
        faults=space.capabilities.faults,
        registers=decoded_registers(space),
    )


def _capability_lines(space: ConfigSpace) -> tuple[str, ...]:
    return tuple(f"{item.offset:03x}h {name_of(item.id, extended=item.extended)}" for item in space.capabilities.found)


def decoded_registers(space: ConfigSpace) -> tuple[DecodedRegister, ...]:
    """The registers of a config space, header first, in list order."""
    layout = space.value(HeaderType.header_layout) or "type 0"
    found = [_decoded(f"Configuration header, {layout}", *register) for register in space.header()]
    found += [
        _decoded(name_of(item.id, extended=item.extended), register, offset, raw)
        for item, register, offset, raw in space.decoded()
    ]
    return tuple(found)


def _decoded(capability: str, register: type[Register], offset: int, raw: int) -> DecodedRegister:
    return DecodedRegister(
        capability=capability,
        name=register.name,
        offset=f"{offset:03x}h",
        raw=f"{raw:0{2 * register.size}x}h",
        section=register.section,
        fields=tuple(DecodedField(field.name, field.text(raw)) for field in register.fields),
    )
