"""Where the registers of a link are, and reading them as a protocol does: state, training, equalization, errors.

May live here: offsets found once, before a test; single readings. May not: writing; sequences.
"""

from collections.abc import Iterator
from functools import cached_property

import msgspec

from probe.active.asking import answering, read
from probe.active.journal import LinkBefore
from probe.active.permitted import Place, Scope
from probe.active.steps import Protocol, Read
from probe.active.target import Target
from probe.links.function import FunctionFacts
from probe.links.link import WhichEnd
from probe.links.state import LinkState
from probe.registers.bits import all_ones, outside
from probe.registers.express import PCI_EXPRESS
from probe.registers.link import LinkCapabilities, LinkControl2, LinkStatus
from probe.registers.physical import EQUALIZATIONS, LaneErrorStatus
from probe.registers.table_language import Field, Register

_CONFIGURATION_NOT_READY = 0x0001  # Vendor ID of a component that asks for a retry (CRS Software Visibility)


class Equalization(msgspec.Struct, frozen=True, kw_only=True):
    """What equalization reached at a rate by the word of one end. The bits stay from the last equalization."""

    speed_gts: float
    complete: bool
    phases: tuple[int, ...] = ()
    end: str = WhichEnd.PORT.value


class EndAt(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """One end of a link: its address, and where its capabilities were found before the test."""

    address: str
    offsets: dict[tuple[bool, int], int]
    express_flags: int = 0

    @classmethod
    def of(cls, function: FunctionFacts) -> "EndAt":
        """The end that this function is."""
        found = reversed(function.space.capabilities.found)
        offsets = {(item.extended, item.id): item.offset for item in found}
        return cls(address=str(function.address), offsets=offsets, express_flags=function.space.express_flags)

    @classmethod
    def at(cls, place: Place) -> "EndAt":
        """The end at a place of a journal: of its capabilities only that of its link is known."""
        key = (PCI_EXPRESS.extended, PCI_EXPRESS.id)
        offsets = {} if place.express is None else {key: place.express}
        return cls(address=place.address, offsets=offsets, express_flags=place.express_flags)

    def look(self, register: type[Register]) -> Read | None:
        """The step that reads a register, None where this end has none."""
        structure = register.structure
        offset = None if structure is None else self.offsets.get((structure.extended, structure.id))
        if structure is None or offset is None or register not in structure.existing(self.express_flags):
            return None
        return Read(self.address, offset + register.offset, register.size)

    def read(self, register: type[Register]) -> Protocol[int | None]:
        """A register's value; None where there is none, or nothing answers."""
        look = self.look(register)
        return None if look is None else (yield from answering(look.address, look.offset, look.size))

    @cached_property
    def express(self) -> int:
        """Where its PCI Express Capability is; a target always has one."""
        return self.offsets[PCI_EXPRESS.extended, PCI_EXPRESS.id]


class LinkAt(msgspec.Struct, frozen=True, kw_only=True):
    """A link by the addresses and offsets of its ends, and what both can do, found before the test."""

    port: EndAt
    component: EndAt
    possible: LinkState = LinkState()
    reports_active: bool = False
    port_ids: tuple[int | None, int | None] = (None, None)

    @classmethod
    def of(cls, target: Target) -> "LinkAt":
        """The link of a target."""
        space = target.port.space
        active = space.value(LinkStatus.data_link_layer_link_active)
        capable = space.value(LinkCapabilities.data_link_layer_link_active_reporting_capable)
        return cls(
            port=EndAt.of(target.port),
            component=EndAt.of(target.component),
            possible=target.document.possible,
            # Where the firmware keeps hot-plug, a port may say that it reports and never do (seen in an emulator).
            reports_active=bool(active and capable),
            port_ids=(target.port.vendor, target.port.device),
        )

    @classmethod
    def before(cls, link: LinkBefore, scope: Scope) -> "LinkAt | None":
        """The link that a journal tells of; None where its port has no registers in the scope."""
        port, component = scope.place(link.port), scope.place(link.component or "")
        if port is None or component is None or port.express is None or component.express is None:
            return None
        vendor, _, device = (port.identity or "").partition(" ")
        return cls(
            port=EndAt.at(port),
            component=EndAt.at(component),
            port_ids=(int(vendor, 16), int(device, 16)) if device else (None, None),
        )

    @property
    def status(self) -> Read:
        """The step that reads the port's Link Status."""
        return Read(self.port.address, self.port.express + LinkStatus.offset, LinkStatus.size)

    @property
    def identity(self) -> Read:
        """The step that reads the component's Vendor and Device ID."""
        return Read(self.component.address, 0, 4)

    def ends(self) -> Iterator[tuple[str, EndAt]]:
        """Both ends, by the words of the error counts."""
        yield WhichEnd.PORT, self.port
        yield WhichEnd.COMPONENT, self.component


def is_set(field: Field[bool], status: int) -> bool:
    """A bit of a register value."""
    return bool(field.decode(status))


def state_in(status: int | None) -> LinkState:
    """Speed and width by a Link Status; None for what it does not say."""
    if status is None or status == LinkStatus.all_ones:
        return LinkState()
    return LinkState(LinkStatus.current_link_speed.decode(status), LinkStatus.negotiated_link_width.decode(status))


def state_of(link: LinkAt) -> Protocol[LinkState]:
    """What the link runs at: the lesser of what its two ends say."""
    port = state_in((yield from read(link.status.address, link.status.offset, link.status.size)))
    component = state_in((yield from link.component.read(LinkStatus)))
    speeds = [state.speed_gts for state in (port, component) if state.speed_gts is not None]
    widths = [state.width for state in (port, component) if state.width is not None]
    return LinkState(min(speeds, default=None), min(widths, default=None))


def is_there(identity: int) -> bool:
    """A component answers: neither all ones nor the answer of one that is not ready."""
    vendor = outside(identity, all_ones(4) - all_ones(2))
    return identity != all_ones(4) and vendor not in {_CONFIGURATION_NOT_READY, all_ones(2)}


def equalization_of(link: LinkAt) -> Protocol[tuple[Equalization, ...]]:
    """What equalization reached, at each rate that an end can say it of and both ends can do."""
    found = []
    for row in EQUALIZATIONS:
        if link.possible.speed_gts is None or row.rate_gts > link.possible.speed_gts:
            continue
        for name, end in link.ends():
            value = yield from end.read(row.complete.register)
            if value is not None:
                passed = tuple(number for number, phase in enumerate(row.phases, start=1) if is_set(phase, value))
                done = is_set(row.complete, value)
                found.append(Equalization(speed_gts=row.rate_gts, complete=done, phases=passed, end=name))
    return tuple(found)


def lane_errors_of(link: LinkAt) -> Protocol[dict[str, int]]:
    """Lane Error Status of each end that has it; its bits stay until somebody clears them."""
    found = {}
    for name, end in link.ends():
        value = yield from end.read(LaneErrorStatus)
        if value is not None:
            found[name] = value
    return found


def target_speed_of(link: LinkAt) -> Protocol[float | None]:
    """The port's Target Link Speed, GT/s."""
    value = yield from link.port.read(LinkControl2)
    return None if value is None else LinkControl2.target_link_speed.decode(value)
