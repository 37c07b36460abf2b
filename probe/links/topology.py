"""Who hangs below whom, and which pairs of functions are the two ends of a link.

Between the Upstream Port and the Downstream Ports of a switch nothing is a link. A virtual function, a Root Complex
Integrated Endpoint, an Event Collector and a conventional function have none.
"""

import re
from collections import defaultdict
from collections.abc import Iterable

import msgspec

from probe import kernel_spellings as kernel
from probe.address import ROOT_BUS, Address
from probe.evidence import Evidence, Why
from probe.links.function import FunctionFacts
from probe.registers.device import (
    DOWNSTREAM_PORT,
    ENDPOINT,
    FROM_PCI,
    LEGACY_ENDPOINT,
    ROOT_PORT,
    TO_PCI,
    UPSTREAM_PORT,
)
from probe.registers.header import SecondaryBusNumber

FACING_DOWN = frozenset({ROOT_PORT, DOWNSTREAM_PORT, FROM_PCI})
FACING_UP = frozenset({ENDPOINT, LEGACY_ENDPOINT, UPSTREAM_PORT, TO_PCI})
_ROOT = re.compile(ROOT_BUS)


class Pair(msgspec.Struct, frozen=True):
    """The two ends of one link: the port above (None where it is hidden) and the functions below (none: empty).

    `virtual` functions below the port have no link of their own, and share this one.
    """

    port: FunctionFacts | None
    below: tuple[FunctionFacts, ...]
    virtual: tuple[FunctionFacts, ...] = ()

    @property
    def first(self) -> FunctionFacts:
        """The function nearest to the root."""
        return self.port if self.port is not None else self.below[0]


class Topology(msgspec.Struct):
    """All functions, the one above each, those below each, and what kind each is."""

    functions: dict[Address, FunctionFacts]
    parents: dict[Address, FunctionFacts | None] = msgspec.field(default_factory=dict)
    children: dict[Address, list[FunctionFacts]] = msgspec.field(default_factory=lambda: defaultdict(list))
    kinds: dict[Address, str | None] = msgspec.field(default_factory=dict)
    pairs: tuple[Pair, ...] = ()
    root_buses: dict[int, list[int]] = {}

    def above(self, function: FunctionFacts) -> FunctionFacts | None:
        """The function above."""
        return self.parents.get(function.address)

    def kind(self, function: FunctionFacts) -> str | None:
        """Device/Port Type, read or inferred from the place where config space was not given."""
        return self.kinds.get(function.address)

    def path(self, function: FunctionFacts) -> list[FunctionFacts]:
        """The functions from the root down to this one."""
        chain = [function]
        while (parent := self.parents.get(chain[-1].address)) is not None and parent not in chain:
            chain.append(parent)
        return chain[::-1]

    def depth(self, function: FunctionFacts) -> int:
        """How many functions are above this one."""
        return len(self.path(function)) - 1

    def place_id(self, function: FunctionFacts) -> str:
        """The way from the root as it is wired: domain, which root bus of it, then device and function of each step.

        Bus numbers are not a part of it: they change when a card is added elsewhere.
        """
        chain = self.path(function)
        top = chain[0].address
        roots = self.root_buses[top.domain]
        steps = "/".join(f"{step.address.device:02x}.{step.address.function}" for step in chain)
        return f"{top.domain:04x}/{roots.index(top.bus)}/{steps}"

    def beneath(self, function: FunctionFacts) -> Iterable[FunctionFacts]:
        """Every function below, at any depth."""
        waiting = list(self.children.get(function.address, ()))
        while waiting:
            item = waiting.pop()
            yield item
            waiting += self.children.get(item.address, ())


def topology(evidence: Evidence) -> Topology:
    """The tree of functions and its links, in address order."""
    functions = {facts.address: facts for facts in map(FunctionFacts, evidence.functions)}
    tree = Topology(dict(sorted(functions.items())))
    buses = _secondary_buses(tree.functions.values())
    for address, function in tree.functions.items():
        parent = _parent(function, tree.functions, buses)
        tree.parents[address] = parent
        if parent is not None:
            tree.children[parent.address].append(function)
    tops = sorted({(a.domain, a.bus) for a, parent in tree.parents.items() if parent is None})
    for domain, bus in tops:
        tree.root_buses.setdefault(domain, []).append(bus)
    for function in _from_the_root_down(tree):
        tree.kinds[function.address] = _kind(function, tree)
    tree.pairs = tuple(_pairs(tree))
    return tree


def _secondary_buses(functions: Iterable[FunctionFacts]) -> dict[tuple[int, int], FunctionFacts]:
    found = {}
    for function in functions:
        if function.is_bridge:
            bus = secondary_bus(function)
            if bus:
                found[function.address.domain, bus] = function
    return found


def secondary_bus(function: FunctionFacts) -> int | None:
    """The bus below a bridge, as the kernel or else its own register has it."""
    text = function.evidence.attributes.get(kernel.SECONDARY_BUS_NUMBER, "")
    return int(text) if text.isdecimal() else function.space.value(SecondaryBusNumber.secondary_bus_number)


def _parent(
    function: FunctionFacts,
    functions: dict[Address, FunctionFacts],
    buses: dict[tuple[int, int], FunctionFacts],
) -> FunctionFacts | None:
    steps = function.evidence.path.split("/")
    above = Address.find(steps[-2]) if len(steps) > 1 else None
    if above is not None:
        return functions.get(above)
    if len(steps) > 1 and _ROOT.fullmatch(steps[-2]):
        return None
    return buses.get((function.address.domain, function.address.bus))  # a copied tree without its links


def _from_the_root_down(tree: Topology) -> Iterable[FunctionFacts]:
    level = [function for function in tree.functions.values() if tree.above(function) is None]
    while level:
        yield from level
        level = [child for function in level for child in tree.children.get(function.address, ())]


def _kind(function: FunctionFacts, tree: Topology) -> str | None:
    if function.keeps_link_in_memory:
        return ENDPOINT
    if function.port_type is not None:
        return function.port_type
    below = tree.children.get(function.address, ())
    if not function.has_link_files and not (function.mute and below):
        return None
    parent = tree.above(function)
    above = None if parent is None else tree.kind(parent)
    if function.is_bridge or (function.class_code is None and below):  # others hang on it
        if below and not any(child.has_link_files or child.mute for child in below):
            return TO_PCI
        return ROOT_PORT if parent is None else UPSTREAM_PORT if above in FACING_DOWN else DOWNSTREAM_PORT
    if parent is None and not _may_have_come_alone(function, tree):
        return None
    return ENDPOINT


def _may_have_come_alone(function: FunctionFacts, tree: Topology) -> bool:
    """Whether one below no port has a link all the same: a machine was given it without its port.

    One that is integrated into the root complex has no link registers. Where it sleeps and was not asked, it is
    integrated if ports stand beside it.
    """
    lanes = function.evidence.attributes.get(kernel.MAX_LINK_WIDTH)
    if lanes is None:
        unasked = any(item.path.endswith(kernel.MAX_LINK_WIDTH) for item in function.unread() if item.why is Why.ASLEEP)
        here = (function.address.domain, function.address.bus)
        return unasked and not any(f.is_bridge for a, f in tree.functions.items() if (a.domain, a.bus) == here)
    return lanes not in kernel.NO_LINK_WIDTHS


def _pairs(tree: Topology) -> Iterable[Pair]:
    hidden: dict[Address, list[FunctionFacts]] = defaultdict(list)
    for function in tree.functions.values():
        kind = tree.kind(function)
        if kind in FACING_DOWN:
            below = tree.children.get(function.address, ())
            yield Pair(
                function,
                tuple(child for child in below if not child.is_virtual),
                tuple(child for child in below if child.is_virtual),
            )
        elif kind in FACING_UP and not function.is_virtual:
            parent = tree.above(function)
            if parent is None or tree.kind(parent) not in FACING_DOWN:
                hidden[function.address._replace(function=0)].append(function)
    for functions in hidden.values():
        yield Pair(None, tuple(functions))
