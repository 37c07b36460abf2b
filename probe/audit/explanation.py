"""One link in full: both ends side by side, and every register that was read."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

import msgspec

from probe.address import Address
from probe.audit.choosing import meant
from probe.audit.decoding import DecodedFunction, decoded_function
from probe.audit.document import LinkDocument
from probe.audit.link_document import document_of
from probe.counted import counted
from probe.evidence import Evidence
from probe.exceptions import InputError
from probe.kernel_spellings import NUMA_NODE
from probe.links.component import serial_number
from probe.links.end import LinkEnd, best_of
from probe.links.fact import value_of
from probe.links.link import Link
from probe.links.machine import find_links
from probe.links.state import LinkState
from probe.links.topology import FACING_DOWN, Topology, topology
from probe.registers.device import DeviceControl
from probe.registers.function import PowerManagementControlStatus, SerialNumberLower
from probe.registers.link import LinkCapabilities, LinkControl, LinkControl2, LinkStatus, LinkStatus2
from probe.registers.physical import LaneErrorStatus
from probe.registers.table_language import Field, Register
from probe.schemas import Schema
from probe.verdict.equalization import completeness

_NO_NODE, _NONE = "-1", "none"
Reader = Callable[[LinkEnd], str | None]


class Row(msgspec.Struct, frozen=True):
    """One property of both ends; None where it was not read, or where the end is not there."""

    label: str
    port: str | None
    component: str | None


class Explanation(msgspec.Struct, frozen=True, kw_only=True):
    """One link, its two ends side by side, and on request its registers."""

    schema: str = Schema.EXPLANATION
    link: LinkDocument
    ends: tuple[Row, ...]
    functions: tuple[DecodedFunction, ...] = ()


def explain(evidence: Evidence, named: str, *, registers: bool) -> Explanation:
    """The link of a function at an address, in a slot, or with a serial number. Raises InputError where none is it."""
    tree = topology(evidence)
    links = find_links(evidence, tree)
    address = Address.find(named)
    link = _named(links, named) if address is None else _link(tree, links, address)
    functions = [end.function for end in link.ends]
    return Explanation(
        link=document_of(link, evidence.host.uptime_s),
        ends=tuple(_rows(link.port, link.component)),
        functions=tuple(decoded_function(function) for function in functions) if registers else (),
    )


def _named(links: Sequence[Link], name: str) -> Link:
    """The one link whose slot or component is called so."""
    wanted = name.strip().casefold().removeprefix("slot ").removeprefix("serial ")
    found = [link for link in links if wanted in _called(link)]
    if len(found) == 1:
        return found[0]
    if not found:
        titles = (link.slot.title for link in links if link.slot is not None)
        near = meant(name.strip(), filter(None, titles))
        remedy = f"{near}give an address, a slot's name or a serial number; linkprobe audit lists them"
        raise InputError("no such address, slot or serial number", where=repr(name), remedy=remedy)
    remedy = f"give the address of one: {', '.join(str(link.ends[0].address) for link in found)}"
    raise InputError(f"names {counted(len(found), 'link')}", where=repr(name), remedy=remedy)


def _called(link: Link) -> set[str]:
    slot = link.slot
    names = [] if slot is None else [*filter(None, (slot.title,)), *(item.name for item in slot.names)]
    slots = {name.casefold().removeprefix("slot ") for name in names}
    return slots | {serial.casefold() for function in link.functions if (serial := serial_number(function))}


def _link(tree: Topology, links: Iterable[Link], address: Address) -> Link:
    function = tree.functions.get(address)
    if function is None:
        raise InputError("no such function here", where=str(address), remedy="linkprobe audit lists the addresses")
    if function.evidence.physical_function is not None:
        function = tree.functions.get(Address.parse(function.evidence.physical_function), function)
    for link in links:
        if function in link.functions or (link.port is not None and link.port.function is function):
            return link
    kind = tree.kind(function) or "conventional PCI function"
    what = f"has no PCI Express link of its own (it is a {kind})"
    raise InputError(what, where=str(address), remedy="linkprobe audit lists the links")


def _rows(port: LinkEnd | None, component: LinkEnd | None) -> Iterator[Row]:
    for label, read, register in _PROPERTIES:
        cells = [None if end is None else read(end) or _not_there(end, register) for end in (port, component)]
        if any(cells):
            yield Row(label, *cells)


def _not_there(end: LinkEnd, register: type[Register] | None) -> str | None:
    """What to say of a register that the end does not have, or that states no value; None where it was not read."""
    if register is not None and end.function.space.register(register) is not None:
        return "not stated"
    lacks = register is not None and end.function.capabilities_read and end.function.space.offset_of(register) is None
    return _NONE if lacks else None


def _state(state: LinkState) -> str | None:
    return None if state.speed_gts is None and state.width is None else str(state)


def _yes_no(field: Field[bool]) -> Reader:
    def read(end: LinkEnd) -> str | None:
        fact = end.function.read(field)
        return None if fact is None else "yes" if fact.value else "no"

    return read


def _value(field: Field[Any], unit: str = "") -> Reader:
    def read(end: LinkEnd) -> str | None:
        fact = end.function.read(field)
        return (
            None
            if fact is None
            else f"{fact.value:g}{unit}"
            if isinstance(fact.value, float)
            else f"{fact.value}{unit}"
        )

    return read


def _equalization(end: LinkEnd) -> str | None:
    best, rates = value_of(end.best_speed), completeness(end)
    if rates and best is not None and best < min(rates):
        return f"not needed below {min(rates):g} GT/s"
    reached = ", ".join(f"{rate:g}" for rate, complete in rates.items() if complete)
    return f"complete at {reached} GT/s" if reached else "complete at no rate" if rates else None


def _lane_errors(end: LinkEnd) -> str | None:
    fact = end.function.read(LaneErrorStatus.lanes)
    return None if fact is None else ", ".join(f"lane {lane}" for lane in fact.value) or _NONE


def _changed_by_itself(end: LinkEnd) -> str | None:
    """By the bit of a Downstream Port; at the other end it is reserved."""
    kind = end.function.port_type
    return "the port tells" if kind is not None and kind not in FACING_DOWN else _CHANGED(end)


def _numa_node(end: LinkEnd) -> str | None:
    """The memory node; the kernel's -1 says that there is none."""
    text = end.function.evidence.attributes.get(NUMA_NODE)
    return _NONE if text == _NO_NODE else text


def _driver(end: LinkEnd) -> str | None:
    """The driver; none where the files of the function were read and name none."""
    evidence = end.function.evidence
    return evidence.driver or (_NONE if evidence.attributes else None)


_CHANGED = _yes_no(LinkStatus.link_autonomous_bandwidth_status)
_PROPERTIES: tuple[tuple[str, Reader, type[Register] | None], ...] = (
    ("Address", lambda end: str(end.address), None),
    ("Device/Port Type", lambda end: end.function.port_type, None),
    ("Best it can do", lambda end: _state(best_of(end)), LinkCapabilities),
    ("Link runs at", lambda end: _state(LinkState(value_of(end.speed), value_of(end.width))), LinkStatus),
    ("Target Link Speed", _value(LinkControl2.target_link_speed, " GT/s"), LinkControl2),
    ("Equalization", _equalization, LinkStatus2),
    ("Lane errors", _lane_errors, LaneErrorStatus),
    ("Changed speed or width by itself", _changed_by_itself, LinkStatus),
    ("ASPM", _value(LinkControl.aspm_control), LinkControl),
    ("Max_Payload_Size", _value(DeviceControl.max_payload_size, " bytes"), DeviceControl),
    ("Max_Read_Request_Size", _value(DeviceControl.max_read_request_size, " bytes"), DeviceControl),
    ("Power state", lambda end: value_of(end.function.power_state), PowerManagementControlStatus),
    ("Serial number", lambda end: serial_number(end.function), SerialNumberLower),
    ("NUMA node", _numa_node, None),
    ("Driver", _driver, None),
)
