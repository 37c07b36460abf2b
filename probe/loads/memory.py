"""Memory baseline: what this host's memory and processors can feed, so that a slow result is not blamed on the link.

Copies between buffers of its own, several threads at once; writes to nothing else.
"""

import ctypes
import threading
import time

from probe.exceptions import InputError
from probe.loads.interface import BOTH, MIB, Context, Target

_BLOCK = 64 * MIB
_PASS_S = 1.0


class MemoryBaseline:
    """Copies memory."""

    name = "memory"
    drives = "this host's memory, no link"
    needs = "nothing"
    verifies = "nothing"
    writes = "nothing"

    def target(self, text: str) -> Target:
        """There is only one. Raises InputError."""
        if text != "host":
            raise InputError("no such memory", where=f"memory:{text}", remedy="give memory alone")
        return Target(label="host memory")

    def targets(self) -> list[Target]:
        """This host's memory."""
        return [self.target("host")]

    def run(self, target: Target, context: Context) -> None:
        """Copy until stopped; a pass is a second."""
        moved = [0] * context.options.in_flight
        workers = [
            threading.Thread(target=_copy, args=(index, moved, context), daemon=True) for index in range(len(moved))
        ]
        for worker in workers:
            worker.start()
        before, start = 0, time.perf_counter()
        while not context.stop.wait(_PASS_S):
            now, total = time.perf_counter(), sum(moved)
            context.passed(target, BOTH, total - before, now - start, verified=False)
            before, start = total, now
        for worker in workers:
            worker.join()


def _copy(index: int, moved: list[int], context: Context) -> None:
    """A foreign function call lets other threads run while it copies."""
    size = context.options.block or _BLOCK
    source, target = ctypes.create_string_buffer(size), ctypes.create_string_buffer(size)
    while not context.stop.is_set():
        ctypes.memmove(target, source, size)
        moved[index] += size
        context.pace(size)
