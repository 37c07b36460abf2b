"""Which devices of a machine there are ways between: accelerators, displays, network adapters, drives."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.choosing import chosen
from probe.audit.document import LinkDocument
from probe.audit.names import short_titles
from probe.kernel_spellings import NUMA_NODE
from probe.links.function import FunctionFacts
from probe.links.link import Link
from probe.links.topology import Topology
from probe.paths.document import Device, Kind
from probe.registers.class_code import ACCELERATOR, DISPLAY, NETWORK, STORAGE, THREE_D

_KINDS = {ACCELERATOR: Kind.ACCELERATOR, DISPLAY: Kind.DISPLAY, NETWORK: Kind.NETWORK, STORAGE: Kind.DRIVE}
_SPECIAL = {THREE_D: Kind.ACCELERATOR}
"""What its sub-class tells better: a 3D controller drives no display."""


class Placed(msgspec.Struct, frozen=True, kw_only=True):
    """A device with what its way is made of."""

    device: Device
    function: FunctionFacts
    link: Link
    judged: LinkDocument


def placed_devices(links: Mapping[str, tuple[Link, LinkDocument]], tree: Topology) -> tuple[Placed, ...]:
    """One device a component, in address order: the first of its functions that is of one of the kinds."""
    titles = short_titles(judged for _, judged in links.values())
    found = (_placed(link, judged, titles, tree) for link, judged in links.values())
    return tuple(sorted((item for each in found for item in each), key=lambda item: item.function.address))


def named(devices: Sequence[Placed], words: Iterable[str]) -> list[frozenset[str]]:
    """The addresses of the devices that each word names: an address, a slot, a kind. Raises InputError."""
    by_place = {item.judged.place_id: item.device.address for item in devices}
    found = []
    for word in words:
        of_kind = {item.device.address for item in devices if word == item.device.kind}
        links = () if of_kind else chosen([item.judged for item in devices], [word], option="--between ")
        found.append(frozenset(of_kind or {by_place[link.place_id] for link in links}))
    return found


def _placed(link: Link, judged: LinkDocument, titles: Mapping[str, str], tree: Topology) -> Iterator[Placed]:
    for function in link.functions:
        code = function.class_code
        kind = None if code is None else _SPECIAL.get(code.kind) or _KINDS.get(code.base)
        if kind is not None:
            device = _device(function, kind, titles[judged.place_id], tree)
            yield Placed(device=device, function=function, link=link, judged=judged)
            return


def _device(function: FunctionFacts, kind: Kind, title: str, tree: Topology) -> Device:
    top = tree.path(function)[0].address
    node = function.evidence.attributes.get(NUMA_NODE, "")
    names = function.evidence.names
    return Device(
        address=str(function.address),
        kind=kind,
        name=names.device or names.kind or kind,
        title=title,
        numa_node=int(node) if node.isdecimal() else None,
        iommu_group=function.evidence.iommu_group,
        root=f"{top.domain:04x}:{top.bus:02x}",
    )
