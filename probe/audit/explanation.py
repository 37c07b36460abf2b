"""One link in full: both ends side by side, and every register that was read."""

from collections.abc import Callable, Iterator

import msgspec

from probe.address import Address
from probe.audit.audit import Machine
from probe.audit.document import LinkDocument
from probe.evidence import Evidence
from probe.exceptions import InputError
from probe.links.facts import Fact, FunctionFacts, LinkEnd, value_of
from probe.links.link import best_of
from probe.links.state import LinkState
from probe.links.topology import Pair, Topology, topology
from probe.registers import express, physical
from probe.registers.catalogue import name_of
from probe.registers.header import HEADER_TYPE, TYPE_0, TYPE_1
from probe.registers.model import Access, Register
from probe.registers.space import ConfigSpace
from probe.schemas import Schema
from probe.verdict.lanes import lanes_of
from probe.verdict.reasons import equalized_rates


class Row(msgspec.Struct, frozen=True):
    """One property of both ends; None where an end does not have it or it was not read."""

    label: str
    port: str | None
    component: str | None


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
    """All that was read of one function's config space."""

    address: str
    capabilities: tuple[str, ...]
    faults: tuple[str, ...]
    registers: tuple[DecodedRegister, ...]


class Explanation(msgspec.Struct, frozen=True, kw_only=True):
    """One link, its two ends side by side, and on request its registers."""

    schema: str = Schema.EXPLANATION
    link: LinkDocument
    ends: tuple[Row, ...]
    functions: tuple[DecodedFunction, ...] = ()


def explain(evidence: Evidence, address: Address, *, registers: bool) -> Explanation:
    """The link of the function at `address`. Raises InputError if there is no such function or it has no link."""
    tree = topology(evidence)
    pair = _pair(tree, address)
    machine = Machine(evidence, tree)
    link = machine.links[pair.port.address if pair.port else pair.below[0].address]
    functions = [end.function for end in link.ends]
    return Explanation(
        link=machine.document(pair),
        ends=tuple(_rows(link.port, link.component)),
        functions=tuple(decoded_function(function) for function in functions) if registers else (),
    )


def _pair(tree: Topology, address: Address) -> Pair:
    function = tree.functions.get(address)
    if function is None:
        raise InputError("no such function here", where=str(address), remedy="linkprobe audit lists the addresses")
    if function.evidence.physical_function is not None:
        function = tree.functions.get(Address.parse(function.evidence.physical_function), function)
    for pair in tree.pairs:
        if pair.port is function or function in pair.below:
            return pair
    kind = tree.kind(function) or "conventional PCI function"
    what = f"has no PCI Express link of its own (it is a {kind})"
    raise InputError(what, where=str(address), remedy="linkprobe audit lists the links")


def _rows(port: LinkEnd | None, component: LinkEnd | None) -> Iterator[Row]:
    for label, read in _PROPERTIES:
        found = Row(label, read(port) if port else None, read(component) if component else None)
        if found.port is not None or found.component is not None:
            yield found


def _text(fact: object) -> str | None:
    return None if fact is None else str(getattr(fact, "value", fact))


def _state(state: LinkState) -> str | None:
    return None if state.speed_gts is None and state.width is None else str(state)


def _yes_no(end: LinkEnd, register: str) -> str | None:
    fact = end.function.express_flag(express.LINK_STATUS[register])
    return None if fact is None else "yes" if fact.value else "no"


def _equalization(end: LinkEnd) -> str | None:
    reached = equalized_rates(end)
    return f"complete at {', '.join(reached)} GT/s" if reached else None


def _lane_errors(end: LinkEnd) -> str | None:
    raw = end.function.register(physical.SECONDARY_PCI_EXPRESS, physical.LANE_ERROR_STATUS)
    if raw is None:
        return None
    return "none" if raw == 0 else "lane " + ", ".join(map(str, lanes_of(raw)))


def _number(register: str, unit: str = "") -> "Reader":
    def read(end: LinkEnd) -> str | None:
        fact = end.function.express_number(express.DEVICE_CONTROL[register])
        return None if fact is None else f"{fact.value}{unit}"

    return read


Reader = Callable[[LinkEnd], str | None]

_PROPERTIES: tuple[tuple[str, Reader], ...] = (
    ("Address", lambda end: str(end.address)),
    ("Device/Port Type", lambda end: end.function.port_type),
    ("Best it can do", lambda end: _state(best_of(end))),
    ("Link runs at", lambda end: _state(LinkState(value_of(end.speed), value_of(end.width)))),
    (
        "Target Link Speed",
        lambda end: _speed(end.function.speed(express.PCI_EXPRESS, express.LINK_CONTROL_2["Target Link Speed"])),
    ),
    ("Equalization", _equalization),
    ("Lane errors", _lane_errors),
    ("Changed speed or width by itself", lambda end: _yes_no(end, "Link Autonomous Bandwidth Status")),
    ("ASPM", lambda end: _text(end.function.express_text(express.LINK_CONTROL["ASPM Control"]))),
    ("Max_Payload_Size", _number("Max_Payload_Size", " bytes")),
    ("Max_Read_Request_Size", _number("Max_Read_Request_Size", " bytes")),
    ("Power state", lambda end: _text(end.function.power_state)),
    ("Driver", lambda end: end.function.evidence.driver),
)


def _speed(fact: Fact[float] | None) -> str | None:
    return None if fact is None else f"{fact.value:g} GT/s"


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
    layout = space.raw(HEADER_TYPE.offset, 1)
    header = TYPE_1 if layout is not None and layout & HEADER_TYPE["Header Layout"].field.mask == 1 else TYPE_0
    found = [_decoded(header.name, register, register.offset, space.raw(register.offset, register.size))
             for register in header.registers]  # fmt: skip
    found += [
        _decoded(name_of(item.id, extended=item.extended), register, at, raw)
        for item, register, at, raw in space.decoded()
    ]
    return tuple(register for register in found if register is not None)


def _decoded(capability: str, register: Register, offset: int, raw: int | None) -> DecodedRegister | None:
    if raw is None:
        return None
    return DecodedRegister(
        capability=capability,
        name=register.name,
        offset=f"{offset:03x}h",
        raw=f"{raw:0{2 * register.size}x}h",
        section=register.section,
        fields=tuple(
            DecodedField(field.name, field.text(raw))
            for field in register.fields
            if field.access is not Access.RESERVED
        ),
    )
