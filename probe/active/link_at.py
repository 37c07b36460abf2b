"""Where the registers of a link are, and reading them as a protocol does: state, training, equalization, errors.

May live here: offsets found once, before a test; single readings. May not: writing; sequences.
"""

from collections.abc import Iterator
from functools import cached_property

import msgspec

from probe.active.asking import answering, read, text_of
from probe.active.journal import LinkBefore
from probe.active.permitted import Place, Scope
from probe.active.steps import Protocol, Read
from probe.active.target import Target
from probe.errors.attribution import COMPONENT, PORT, SEVERITIES
from probe.kernel_spellings import nonzero_counts
from probe.links.facts import FunctionFacts
from probe.links.state import LinkState
from probe.registers import express, physical
from probe.registers.bits import all_ones, outside
from probe.registers.model import FieldOf, Register, Structure
from probe.registers.values import SPEED_GTS, WIDTHS

_RATES: tuple[tuple[float, str, Structure, Register], ...] = (
    (8.0, "8.0", express.PCI_EXPRESS, express.LINK_STATUS_2),
    (16.0, "16.0", physical.PHYSICAL_LAYER_16, physical.STATUS_16),
    (32.0, "32.0", physical.PHYSICAL_LAYER_32, physical.STATUS_32),
    (64.0, "64.0", physical.PHYSICAL_LAYER_64, physical.STATUS_64),
)
_CONFIGURATION_NOT_READY = 0x0001  # Vendor ID of a component that asks for a retry (CRS Software Visibility)

Counts = dict[tuple[str, str, str], int]
"""End, severity, error: count, as the kernel counts them; only those that are not zero."""


class Equalization(msgspec.Struct, frozen=True, kw_only=True):
    """What equalization reached at a rate by the Downstream Port's word. The bits stay from the last equalization."""

    speed_gts: float
    complete: bool
    phases: tuple[int, ...] = ()


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
        key = (express.PCI_EXPRESS.extended, express.PCI_EXPRESS.id)
        offsets = {} if place.express is None else {key: place.express}
        return cls(address=place.address, offsets=offsets, express_flags=place.express_flags)

    def look(self, structure: Structure, register: Register) -> Read | None:
        """The step that reads a register, None where this end has none."""
        offset = self.offsets.get((structure.extended, structure.id))
        if offset is None or register not in structure.existing(self.express_flags):
            return None
        return Read(self.address, offset + register.offset, register.size)

    def read(self, structure: Structure, register: Register) -> Protocol[int | None]:
        """A register's value; None where there is none, or nothing answers."""
        look = self.look(structure, register)
        return None if look is None else (yield from answering(look.address, look.offset, look.size))

    @cached_property
    def express(self) -> int:
        """Where its PCI Express Capability is; a target always has one."""
        return self.offsets[express.PCI_EXPRESS.extended, express.PCI_EXPRESS.id]


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
        active = target.port.express_flag(express.LINK_STATUS["Data Link Layer Link Active"])
        capable = target.port.express_flag(express.LINK_CAPABILITIES["Data Link Layer Link Active Reporting Capable"])
        return cls(
            port=EndAt.of(target.port),
            component=EndAt.of(target.component),
            possible=target.document.possible,
            # Where the firmware keeps hot-plug, a port may say that it reports and never do (seen in an emulator).
            reports_active=bool(active and active.value and capable and capable.value),
            port_ids=(target.port.space.raw(0, 2), target.port.space.raw(2, 2)),
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
        return Read(self.port.address, self.port.express + express.LINK_STATUS.offset, express.LINK_STATUS.size)

    @property
    def identity(self) -> Read:
        """The step that reads the component's Vendor and Device ID."""
        return Read(self.component.address, 0, 4)

    def ends(self) -> Iterator[tuple[str, EndAt]]:
        """Both ends, by the words of the error counts."""
        yield PORT, self.port
        yield COMPONENT, self.component


def flag_in(status: int, name: str) -> bool:
    """A bit of Link Status by its name."""
    return bool(express.LINK_STATUS[name].field.raw(status))


def state_in(status: int | None) -> LinkState:
    """Speed and width by a Link Status; None for what it does not say."""
    if status is None or status == all_ones(express.LINK_STATUS.size):
        return LinkState()
    speed = SPEED_GTS.get(_raw(express.LINK_STATUS["Current Link Speed"], status))
    width = _raw(express.LINK_STATUS["Negotiated Link Width"], status)
    return LinkState(speed, width if width in WIDTHS else None)


def _raw(bound: FieldOf, value: int) -> int:
    return bound.field.raw(value)


def state_of(link: LinkAt) -> Protocol[LinkState]:
    """What the link runs at: the lesser of what its two ends say."""
    port = state_in((yield from read(link.status.address, link.status.offset, link.status.size)))
    component = state_in((yield from link.component.read(express.PCI_EXPRESS, express.LINK_STATUS)))
    speeds = [state.speed_gts for state in (port, component) if state.speed_gts is not None]
    widths = [state.width for state in (port, component) if state.width is not None]
    return LinkState(min(speeds, default=None), min(widths, default=None))


def is_there(identity: int) -> bool:
    """A component answers: neither all ones nor the answer of one that is not ready."""
    vendor = outside(identity, all_ones(4) - all_ones(2))
    return identity != all_ones(4) and vendor not in {_CONFIGURATION_NOT_READY, all_ones(2)}


def equalization_of(link: LinkAt) -> Protocol[tuple[Equalization, ...]]:
    """What equalization reached, at each rate that the port can say it of and both ends can do."""
    found = []
    for gts, rate, structure, register in _RATES:
        if link.possible.speed_gts is None or gts > link.possible.speed_gts:
            continue
        value = yield from link.port.read(structure, register)
        if value is not None:
            complete = bool(_raw(register[f"Equalization {rate} GT/s Complete"], value))
            phases = tuple(
                phase
                for phase in (1, 2, 3)
                if _raw(register[f"Equalization {rate} GT/s Phase {phase} Successful"], value)
            )
            found.append(Equalization(speed_gts=gts, complete=complete, phases=phases))
    return tuple(found)


def lane_errors_of(link: LinkAt) -> Protocol[dict[str, int]]:
    """Lane Error Status of each end that has it; its bits stay until somebody clears them."""
    found = {}
    for name, end in link.ends():
        value = yield from end.read(physical.SECONDARY_PCI_EXPRESS, physical.LANE_ERROR_STATUS)
        if value is not None:
            found[name] = value
    return found


def counts_of(link: LinkAt) -> Protocol[Counts | None]:
    """The kernel's error counts of both ends; None where it keeps none for this link."""
    counts: Counts = {}
    kept = False
    for name, end in link.ends():
        for severity in SEVERITIES:
            text = yield from text_of(f"bus/pci/devices/{end.address}/aer_dev_{severity}")
            kept = kept or text is not None
            counts.update({(name, severity, error): count for error, count in nonzero_counts(text or "").items()})
    return counts if kept else None


def grown(before: Counts | None, after: Counts | None) -> Counts | None:
    """The errors between two counts; a count that fell began anew. None where either was not read."""
    if before is None or after is None:
        return None
    anew = any(after.get(key, 0) < count for key, count in before.items())
    growth = {key: count if anew else count - before.get(key, 0) for key, count in after.items()}
    return {key: count for key, count in growth.items() if count}


def target_speed_of(link: LinkAt) -> Protocol[float | None]:
    """The port's Target Link Speed, GT/s."""
    value = yield from link.port.read(express.PCI_EXPRESS, express.LINK_CONTROL_2)
    return None if value is None else SPEED_GTS.get(_raw(express.LINK_CONTROL_2["Target Link Speed"], value))
