"""Memory baseline: what this host's memory and processors can feed, so that a slow result is not blamed on the link.

Copies between buffers of its own, several threads at once; writes to nothing else.
"""

import ctypes
import os
import time
from concurrent.futures import ThreadPoolExecutor

from probe.exceptions import InputError
from probe.loads.interface import MIB, Context, Options, Target
from probe.loads.phases import MEMORY, Phase
from probe.loads.results import BOTH

_BLOCK = 64 * MIB
_MOST_THREADS = 8


class MemoryBaseline:
    """Copies memory."""

    name = "memory"
    drives = "this host's memory, no link"
    needs = "nothing"
    verifies = "nothing"
    writes = "nothing"
    phases: tuple[str, ...] = (MEMORY,)

    def target(self, text: str) -> Target:
        """There is only one. Raises InputError."""
        if text != "host":
            raise InputError("no such memory", where=f"memory:{text}", remedy="give memory alone")
        return Target(label="host memory")

    def targets(self) -> list[Target]:
        """This host's memory."""
        return [self.target("host")]

    def refuse(self, target: Target, options: Options) -> None:
        """Nothing."""

    def memory_bytes(self, options: Options) -> int:
        """Two buffers a thread."""
        return 2 * _threads(options) * (options.block or _BLOCK)

    def run(self, target: Target, context: Context) -> None:
        """Copy in each phase of its own; a pass is a phase."""
        count = _threads(context.options)
        size = context.options.block or _BLOCK
        with ThreadPoolExecutor(count) as pool:
            buffers = list(pool.map(lambda _: _Buffers(size), range(count)))
            for phase in context.phases():
                start = time.perf_counter()
                moved = sum(pool.map(lambda own: own.copy(context, phase), buffers))  # noqa: B023 - used up at once
                context.passed(target, BOTH, moved, time.perf_counter() - start, verified=False)


def _threads(options: Options) -> int:
    return options.in_flight or min(_MOST_THREADS, len(os.sched_getaffinity(0)))


class _Buffers:
    """What one thread copies between."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._source, self._target = ctypes.create_string_buffer(size), ctypes.create_string_buffer(size)
        ctypes.memset(self._source, 1, size)  # memory that was never written is one page of zeros, read again and again

    def copy(self, context: Context, phase: Phase) -> int:
        """Copy until the phase is over; how much. A foreign function call lets other threads run while it copies."""
        moved = 0
        while context.goes_on(phase):
            ctypes.memmove(self._target, self._source, self._size)
            moved += self._size
            context.pace(self._size)
        return moved
