"""The way between each pair of devices: where it turns, what isolates, how narrow it is.

Two devices below one switch can talk at it, unless a port on the way redirects what goes between devices up to the root
(Access Control Services). Devices with no switch in common talk through the root complex, if it forwards that at all:
each Root Port is a hierarchy domain of its own, and forwarding between them is not required (kernel
Documentation/driver-api/pci/p2pdma.rst; Base Specification 4.0, 1.3.1). Which bits redirect, and that any port on the
way counts, is as the kernel has it (drivers/pci/p2pdma.c, calc_map_type_and_dist).
"""

from collections.abc import Collection, Mapping, Sequence
from itertools import combinations

from probe.audit.document import LinkDocument
from probe.audit.link_document import document_of
from probe.evidence import Evidence
from probe.exceptions import NothingToJudge
from probe.links.function import FunctionFacts
from probe.links.machine import find_links
from probe.links.topology import Topology, topology
from probe.paths.between import Ends, between, ceilings_to_host
from probe.paths.devices import Placed, named, placed_devices
from probe.paths.document import Pair, Paths, Turn
from probe.paths.grouping import grouped
from probe.paths.isolation import PortIsolation, isolation_of
from probe.registers.device import UPSTREAM_PORT
from probe.verdict.verdicts import Verdict

_BY_THE_ROOT = frozenset({Turn.ROOT, Turn.REDIRECTED})


def paths(evidence: Evidence, words: Sequence[str] = ()) -> Paths:
    """Every pair of devices; with words (addresses, slots, kinds) only those of the devices that they name.

    One word: pairs of which one device is of that name. Several: pairs of devices that different words name. Raises
    NothingToJudge where there are no two devices, InputError where a word names none.
    """
    tree = topology(evidence)
    links = {link.place_id: (link, document_of(link)) for link in find_links(evidence, tree)}
    devices = placed_devices(links, tree)
    pairs = list(combinations(devices, 2))
    if not pairs:
        what = "holds fewer than two accelerators, displays, network adapters and drives with a link"
        raise NothingToJudge(what, where=evidence.host.name or "this machine", remedy="a way goes between two of them")
    chosen = named(devices, words)
    ceilings = ceilings_to_host(judged for _, judged in links.values())
    resting = {(judged.downstream_port, judged.upstream_port) for _, judged in links.values() if _rests(judged)}
    told = tuple(_pair(one, other, tree, ceilings, resting) for one, other in pairs if _is_wanted(one, other, chosen))
    return Paths(
        host=evidence.host,
        devices=tuple(item.device for item in devices),
        groups=grouped(told, [item.device for item in devices]),
        pairs=told,
    )


def _is_wanted(one: Placed, other: Placed, chosen: Sequence[frozenset[str]]) -> bool:
    mine, theirs = one.device.address, other.device.address
    if len(chosen) < 2:  # noqa: PLR2004 - one word, or none
        return all(mine in names or theirs in names for names in chosen)
    return any((mine in a and theirs in b) or (mine in b and theirs in a) for a, b in combinations(chosen, 2))


def _pair(one: Placed, other: Placed, tree: Topology, ceilings: Mapping[Ends, int], resting: Collection[Ends]) -> Pair:
    common, bridges = _meeting(one.function, other.function, tree)
    isolation = tuple(isolation_of(bridge) for bridge in bridges)
    turn = _turn(one, other, common, isolation, tree)
    way = None
    if turn is not Turn.HIDDEN:
        way = between(one.judged, other.judged, ceilings, by_the_root=turn in _BY_THE_ROOT)
    return Pair(
        one=one.device.address,
        other=other.device.address,
        turn=turn,
        at=None if common is None else str(common.address),
        isolation=isolation if common is not None else (),
        same_node=_same(one.device.numa_node, other.device.numa_node),
        same_group=_same(one.device.iommu_group, other.device.iommu_group),
        same_root=_same(one.device.root, other.device.root),
        narrowest=None if way is None else way.narrowest,
        ceiling_bytes_s=None if way is None or turn is Turn.UNKNOWN else way.ceiling_bytes_s,
        rests=way is not None and any((step.downstream_port, step.upstream_port) in resting for step in way.steps),
        steps=() if way is None else way.steps,
    )


def _meeting(
    one: FunctionFacts, other: FunctionFacts, tree: Topology
) -> tuple[FunctionFacts | None, tuple[FunctionFacts, ...]]:
    """The last function above both, None where there is none; and the bridges on the way below it."""
    mine, theirs = tree.path(one), tree.path(other)
    shared = 0
    while shared < min(len(mine), len(theirs)) and mine[shared] is theirs[shared]:
        shared += 1
    return (mine[shared - 1] if shared else None), (*reversed(mine[shared:-1]), *theirs[shared:-1])


def _turn(
    one: Placed, other: Placed, common: FunctionFacts | None, isolation: Sequence[PortIsolation], tree: Topology
) -> Turn:
    if common is None:
        tops = [placed.link.chain[0] for placed in (one, other)]
        return Turn.HIDDEN if any(link.port is None or link.emulated_port for link in tops) else Turn.ROOT
    if tree.kind(common) != UPSTREAM_PORT:
        return Turn.UNKNOWN
    redirects = [port.redirects for port in isolation]
    if True in redirects:
        return Turn.REDIRECTED
    return Turn.UNKNOWN if None in redirects else Turn.SWITCH


def _rests(judged: LinkDocument) -> bool:
    return judged.verdict is Verdict.RESTING


def _same(one: object, other: object) -> bool | None:
    return None if one is None or other is None else one == other
