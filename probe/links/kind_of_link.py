"""What kind of place a link has. Links that describe no slot are shown, and never alarm."""

from enum import StrEnum

from probe.kernel_spellings import REMOVABLE
from probe.links.function import FunctionFacts
from probe.links.topology import FACING_DOWN, Pair, Topology
from probe.registers.device import UPSTREAM_PORT, ExpressCapabilities
from probe.registers.function import VendorSpecificHeader


class KindOfLink(StrEnum):
    """What kind of place a link has; only a slot can raise an alarm."""

    SLOT = "slot"
    INSIDE_CARD = "inside card"
    TUNNEL = "tunnel"
    INTEGRATED = "integrated"


_INTEL = 0x8086
_TUNNEL_VSEC = 0x1234  # kernel drivers/pci/probe.c, set_pcie_thunderbolt: PCI_VSEC_ID_INTEL_TBT
_SAME_MAKER = ({0x1022, 0x1002}, {_INTEL})  # one maker under two vendor ids, and one under a single id
# Kinds of function that chipsets and processors carry behind internal ports (common practice, no published source):
# display, multimedia, USB, SATA, encryption and instrumentation, never a drive, a network card or an accelerator.
_INTEGRATED_KINDS = frozenset({
    (0x03, 0x00), (0x03, 0x80), (0x04, 0x01), (0x04, 0x03), (0x04, 0x80), (0x0C, 0x03), (0x01, 0x06), (0x10, 0x80),
    (0x13, 0x00), (0x11, 0x80), (0x08, 0x06),
})  # fmt: skip


def kind_of_link(pair: Pair, tree: Topology) -> KindOfLink:
    """The kind of place the link of this pair has."""
    if _tunnelled(pair, tree):
        return KindOfLink.TUNNEL
    if pair.port is not None and _inside_card(pair.port, tree):
        return KindOfLink.INSIDE_CARD
    if pair.port is not None and _integrated(pair.port, pair.below):
        return KindOfLink.INTEGRATED
    return KindOfLink.SLOT


def _tunnelled(pair: Pair, tree: Topology) -> bool:
    """Below a tunnel's router or its removable parts; the link that leads to the router's own card is none."""
    chain = tree.path(pair.port) if pair.port is not None else []
    removable = any(item.evidence.attributes.get(REMOVABLE) == REMOVABLE for item in (*chain, *pair.below[:1]))
    return removable or any(map(_is_tunnel_router, chain))


def _is_tunnel_router(function: FunctionFacts) -> bool:
    if function.vendor != _INTEL:
        return False
    return any(VendorSpecificHeader.vsec_id.raw(header) == _TUNNEL_VSEC for header in function.space.vendor_headers())


def _inside_card(port: FunctionFacts, tree: Topology) -> bool:
    """Below the Upstream Port of a card's own switch, at a Downstream Port without a slot, whatever hangs there.

    The switch is on a card where the port above it implements a slot, or is itself inside one; or, where that is not
    told, where one vendor made all of it and a display or accelerator is below.
    """
    upstream = tree.above(port)
    if upstream is None or tree.kind(upstream) != UPSTREAM_PORT or tree.kind(port) not in FACING_DOWN:
        return False
    above = tree.above(upstream)
    own = port.read(ExpressCapabilities.slot_implemented)
    if above is not None and own is not None and not own.value:
        slot = above.read(ExpressCapabilities.slot_implemented)
        if (slot is not None and slot.value) or _inside_card(above, tree):
            return True
    ends = [function for function in tree.beneath(upstream) if not function.is_bridge and not function.is_virtual]
    makers = {upstream.vendor, *(function.vendor for function in ends)} - {None}  # not read contradicts nothing
    return len(makers) <= 1 and any(function.class_code is None or function.computes_or_displays for function in ends)


def _integrated(port: FunctionFacts, below: tuple[FunctionFacts, ...]) -> bool:
    """A part of the chipset or processor: no slot at the port, one maker, kinds of function that are built in."""
    slot = port.read(ExpressCapabilities.slot_implemented)
    if slot is None or slot.value or not below:
        return False
    makers = {function.vendor for function in (port, *below)}
    if not any(makers <= same for same in _SAME_MAKER):
        return False
    return all(function.class_code is not None and function.class_code.kind in _INTEGRATED_KINDS for function in below)
