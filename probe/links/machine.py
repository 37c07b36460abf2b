"""Every link of a machine, in address order, each knowing those above and below it."""

from probe.address import Address
from probe.evidence import Evidence
from probe.links.kind_of_link import kind_of_link
from probe.links.link import Link, make_link
from probe.links.slots import Slots
from probe.links.speed_limits import SpeedLimits
from probe.links.topology import Pair, Topology


def find_links(evidence: Evidence, tree: Topology) -> tuple[Link, ...]:
    """The links of the pairs that the tree found."""
    slots, limits = Slots(evidence), SpeedLimits(evidence)
    by_function: dict[Address, Link] = {}
    found: dict[int, Link] = {}
    for index, pair in sorted(enumerate(tree.pairs), key=lambda item: tree.depth(item[1].first)):
        link = make_link(
            pair,
            kind=kind_of_link(pair, tree),
            place_id=tree.place_id(pair.first),
            slot=slots.of(pair.port, pair.below),
            limits=limits.of(pair.port.address if pair.port else None),
            above=_above(pair, tree, by_function),
        )
        found[index] = link
        for function in pair.below:
            by_function[function.address] = link
    return tuple(link for _, link in sorted(found.items()))


def _above(pair: Pair, tree: Topology, by_function: dict[Address, Link]) -> Link | None:
    """The link that leads to the nearest function above that is the end of one."""
    ancestors = reversed(tree.path(pair.first)[:-1])
    return next((by_function[item.address] for item in ancestors if item.address in by_function), None)
