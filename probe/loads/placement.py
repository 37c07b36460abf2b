"""Where a load runs: on the processors of its target's NUMA node, with memory of that node."""

import ctypes
import os

from probe.host.numa import node
from probe.loads.interface import Target

_MPOL_PREFERRED = 1
"""linux/mempolicy.h: take memory of this node, of others where it has none left."""
_SET_MEMPOLICY = {"x86_64": 238, "aarch64": 237, "riscv64": 237, "loongarch64": 237, "ppc64le": 261}
"""The number of set_mempolicy(2), for which the C library has no function; asm/unistd.h of each."""
_MOST_NODES = 1024


def stay_near(number: int | None) -> bool:
    """Keep this thread, and those it starts, on a node's processors and memory; False where that cannot be done."""
    near = node(number)
    if number is None or near is None or not near.processors:
        return False
    os.sched_setaffinity(0, near.processors)
    return _take_memory_of(number)


def _take_memory_of(number: int) -> bool:
    call = _SET_MEMPOLICY.get(os.uname().machine)
    if call is None:
        return False
    nodes = (2**number).to_bytes(_MOST_NODES // 8, "little")
    libc = ctypes.CDLL(None, use_errno=True)
    failed: int = libc.syscall(
        ctypes.c_long(call), ctypes.c_int(_MPOL_PREFERRED), ctypes.c_char_p(nodes), ctypes.c_ulong(_MOST_NODES)
    )
    return failed == 0


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
