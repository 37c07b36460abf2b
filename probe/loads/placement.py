"""Where a load runs: near its target, on the processors of the target's NUMA node."""

import os

from probe.host.numa import node
from probe.loads.interface import Target


def run_near(number: int | None) -> bool:
    """Keep this thread on the processors of a NUMA node; False where that cannot be done."""
    near = node(number)
    if near is None or not near.processors:
        return False
    os.sched_setaffinity(0, near.processors)
    return True


def placement(target: Target) -> str:
    """Where a load on this target runs, and a warning where that is far from it."""
    if target.address is None:
        return f"{target.label}: no NUMA node of its own"
    if target.node is None:
        return f"the NUMA node of {target.label} is not known: placement is left to the kernel"
    near = node(target.node)
    if near is None:
        return f"{target.label} is on NUMA node {target.node}, of which nothing can be read"
    if near.processors:
        return f"runs near {target.label}: NUMA node {target.node}, distance {near.distances[target.node]}"
    far = max(near.distances)
    return f"warning: may not run near {target.label} (NUMA node {target.node}); distances up to {far} slow it"
