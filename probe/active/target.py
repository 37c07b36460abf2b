"""The links that a person named for an active test: their two ends, and every function that shares their fate.

May live here: choosing links, where their registers are, what a test may write to. May not: reading, writing.
"""

from collections.abc import Sequence
from typing import Any

import msgspec

from probe.active.journal import LinkBefore
from probe.active.permitted import End, Place, Scope
from probe.audit.audit import audit
from probe.audit.choosing import chosen
from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.compare.identity import Identity, identity_of
from probe.evidence import CoolingDevice, Evidence, SlotDirectory
from probe.exceptions import InputError
from probe.kernel_spellings import COOLING_TYPE, DEVICE, VENDOR
from probe.links.function import FunctionFacts
from probe.links.topology import Topology, topology
from probe.registers.express import PCI_EXPRESS
from probe.registers.link import LinkCapabilities, LinkStatus
from probe.registers.margining import LANE_MARGINING
from probe.registers.table_language import Field


class Target(msgspec.Struct, frozen=True, kw_only=True):
    """A link to be tested. `below` is all that is lost with it, the component's own functions among them."""

    document: LinkDocument
    port: FunctionFacts
    component: FunctionFacts
    below: tuple[FunctionFacts, ...]
    slots: tuple[SlotDirectory, ...] = ()
    cooling: CoolingDevice | None = None

    @property
    def named(self) -> dict[str, Any]:
        """What names the link in the documents of all tests, by field."""
        link, vendor, device = self.document, self.port.vendor, self.port.device
        return {
            "downstream_port": str(self.port.address), "upstream_port": str(self.component.address),
            "title": title(link), "place_id": link.place_id,
            "component": Identity() if link.component is None else identity_of(link.component),
            "port_kind": None if vendor is None or device is None else f"0x{vendor:04x}:0x{device:04x}",
        }  # fmt: skip

    @property
    def siblings(self) -> tuple[str, ...]:
        """The addresses of the component's functions."""
        place = self.component.address.without_function
        return tuple(str(item.address) for item in self.below if item.address.without_function == place)


def ends_named(evidence: Evidence, words: Sequence[str]) -> frozenset[str]:
    """The addresses of both ends of the links that the words name. Raises InputError."""
    links = chosen(audit(evidence).links, words, option="")
    return frozenset(end for link in links for end in (link.downstream_port, link.upstream_port) if end is not None)


def targets(evidence: Evidence, words: Sequence[str]) -> tuple[Target, ...]:
    """The links that the words name, in the order of the machine. Raises InputError for one that cannot be tested."""
    tree = topology(evidence)
    return tuple(_target(link, tree, evidence) for link in chosen(audit(evidence).links, words, option=""))


def _target(link: LinkDocument, tree: Topology, evidence: Evidence) -> Target:
    functions = {str(address): facts for address, facts in tree.functions.items()}
    port, component = functions.get(link.downstream_port or ""), functions.get(link.upstream_port or "")
    where = link.downstream_port or link.upstream_port or link.place_id
    if port is None or component is None:
        what = "has only one end that this system sees"
        raise InputError(what, where=where, remedy="test it from the host that has its Downstream Port")
    for end in (port, component):
        if end.space.find(PCI_EXPRESS) is None:
            what = f"the registers of {end.address} could not be read, or it has no PCI Express Capability"
            raise InputError(what, where=where, remedy="run as root, with the device awake")
    return Target(
        document=link, port=port, component=component,
        below=tuple(sorted(tree.beneath(port), key=lambda facts: facts.address)),
        slots=tuple(slot for slot in evidence.slots if slot.address == component.address.without_function),
        cooling=_cooling(str(port.address), evidence),
    )  # fmt: skip


def _cooling(port: str, evidence: Evidence) -> CoolingDevice | None:
    return next((item for item in evidence.cooling if item.type == f"{COOLING_TYPE}{port}" and item.name), None)


def scope_of(under_test: Sequence[Target]) -> Scope:
    """What a run on these links may write to."""
    places: dict[str, Place] = {}
    for target in under_test:
        for function in target.below:
            places.setdefault(str(function.address), _place(function, End.BELOW))
    for target in under_test:  # a port below a switch is also below the link above it: the nearer role counts
        places[str(target.port.address)] = _place(target.port, End.PORT)
        places[str(target.component.address)] = _place(target.component, End.COMPONENT)
    return Scope(
        places=tuple(places.values()),
        slots=tuple(slot.name for target in under_test for slot in target.slots),
        cooling=tuple(target.cooling.name for target in under_test if target.cooling is not None),
    )


def _place(function: FunctionFacts, end: End) -> Place:
    found, margining = function.space.find(PCI_EXPRESS), function.space.find(LANE_MARGINING)
    attributes = function.evidence.attributes
    return Place(
        address=str(function.address),
        end=end,
        express=None if found is None else found.offset,
        express_flags=function.space.express_flags,
        margining=None if margining is None else margining.offset,
        lanes=function.space.value(LinkCapabilities.maximum_link_width) or 0,
        identity=f"{attributes.get(VENDOR, '')} {attributes.get(DEVICE, '')}".strip() or None,
    )


def links_before(under_test: Sequence[Target]) -> tuple[LinkBefore, ...]:
    """The links as they were found, for the journal."""
    return tuple(
        LinkBefore(
            port=str(target.port.address),
            component=str(target.component.address),
            speed=_raw(target.port, LinkStatus.current_link_speed),
            width=_raw(target.port, LinkStatus.negotiated_link_width),
        )
        for target in under_test
    )


def _raw(port: FunctionFacts, field: Field[Any]) -> int | None:
    raw = port.space.register(field.register)
    return None if raw is None else field.raw(raw)
