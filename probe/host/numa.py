"""NUMA nodes: on which one a function is, its processors, how far the others are. Reads /sys/devices/system/node."""

import os
from pathlib import Path

import msgspec

from probe.kernel_spellings import NUMA_NODE

_NODES = Path("/sys/devices/system/node")
_FUNCTIONS = Path("/sys/bus/pci/devices")


class Node(msgspec.Struct, frozen=True, kw_only=True):
    """A node: its processors that this process may use, and the distances to all nodes as the kernel gives them."""

    number: int
    processors: frozenset[int]
    distances: tuple[int, ...]


def node_of(address: str | None) -> int | None:
    """The NUMA node of a function, None where the kernel does not say."""
    try:
        number = int((_FUNCTIONS / str(address) / NUMA_NODE).read_text())
    except (OSError, ValueError):
        return None
    return number if number >= 0 else None


def node(number: int | None) -> Node | None:
    """A node by its number; None where nothing can be read of it."""
    if number is None:
        return None
    base = _NODES / f"node{number}"
    try:
        allowed = processors((base / "cpulist").read_text()).intersection(os.sched_getaffinity(0))
        distances = tuple(map(int, (base / "distance").read_text().split()))
    except (OSError, ValueError):
        return None
    return Node(number=number, processors=frozenset(allowed), distances=distances)


def processors(text: str) -> set[int]:
    """The numbers in a list as the kernel writes it, `0-3,8`."""
    found: set[int] = set()
    for part in text.strip().split(","):
        low, _, high = part.partition("-")
        if low:
            found |= set(range(int(low), int(high or low) + 1))
    return found
