"""Storage read: large reads past the cache, in one phase of two each region twice and compared. Writes nothing.

Any block device may be read, mounted or not. Two readings of a region that differ are damage unless somebody wrote to
the disk meanwhile, by the kernel's own count of writes; a wrong read that is right the next time is damage too.
"""

import mmap
import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import count
from pathlib import Path

from probe.exceptions import InputError
from probe.host.block_devices import behind, device_path, size_of, whole_devices
from probe.host.numa import node_of
from probe.host.write_counts import Counted, counted_on, unwritten_between
from probe.loads.interface import MIB, Context, Options, Target
from probe.loads.patterns import address_of, first_difference, tail
from probe.loads.phases import VERIFIED, Phase
from probe.loads.refusing import refuse_odd_block
from probe.loads.results import READ_TWICE, TO_HOST

_BLOCK = 8 * MIB
_IN_FLIGHT = 3
_READINGS = 3
"""Of one region: two to compare, and one more to tell which of two was wrong."""


class StorageRead:
    """Reads block devices."""

    name = "storage-read"
    drives = "NVMe and other block devices behind a link"
    needs = "block devices, and the right to read them"
    verifies = "in one phase of two each region is read twice and compared, where nobody writes to the disk meanwhile"
    writes = "nothing"
    phases: tuple[str, ...] = (TO_HOST, VERIFIED)

    def target(self, text: str) -> Target:
        """A block device by name or path."""
        path = device_path(text)
        address = behind(path)
        return Target(label=str(path), address=address, node=node_of(address))

    def targets(self) -> list[Target]:
        """Every whole disk behind a PCI function."""
        return [self.target(str(path)) for path in whole_devices()]

    def refuse(self, target: Target, options: Options) -> None:
        """Raise InputError for a block that the disk cannot be read by."""
        refuse_odd_block(options)
        size = size_of(Path(target.label))
        if (options.block or _BLOCK) > size:
            what = f"is smaller than one block of {options.block or _BLOCK}: it has {size} bytes"
            raise InputError(what, where=target.label, remedy="give a smaller --block")

    def memory_bytes(self, options: Options) -> int:
        """The readings of the regions in flight."""
        return _READINGS * (options.in_flight or _IN_FLIGHT) * (options.block or _BLOCK)

    def run(self, target: Target, context: Context) -> None:
        """Read until stopped, with several reads in flight; a pass is a phase."""
        descriptor = os.open(target.label, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)
        try:
            _Reading(descriptor, target, context).run()
        finally:
            os.close(descriptor)


class _Reading:
    """One device; each phase goes on where the one before ended, so that all of the device comes."""

    def __init__(self, descriptor: int, target: Target, context: Context) -> None:
        self._descriptor = descriptor
        self._target = target
        self._context = context
        self._block = context.options.block or _BLOCK
        self._length = os.lseek(descriptor, 0, os.SEEK_END) // self._block * self._block
        self._numbers = count()
        self._lock = threading.Lock()
        self._failed = threading.Event()
        self._undecided = 0

    def run(self) -> None:
        workers = self._context.options.in_flight or _IN_FLIGHT
        with ThreadPoolExecutor(workers) as pool:
            buffers = [[mmap.mmap(-1, self._block) for _ in range(_READINGS)] for _ in range(workers)]
            for phase in self._context.phases():
                step = self._twice if phase.name == VERIFIED else self._once
                start = time.perf_counter()
                moved = sum(pool.map(lambda own: self._work(phase, step, own), buffers))  # noqa: B023 - used up at once
                verified, self._undecided = phase.name == VERIFIED and not self._undecided, 0
                if moved:
                    direction = READ_TWICE if phase.name == VERIFIED else TO_HOST
                    seconds = time.perf_counter() - start
                    self._context.passed(self._target, direction, moved, seconds, verified=verified)

    def _work(self, phase: Phase, step: Callable[[list[mmap.mmap], int], int], own: list[mmap.mmap]) -> int:
        """Read whole blocks until the phase is over, or another thread failed; how many bytes."""
        moved = 0
        while self._context.goes_on(phase) and not self._failed.is_set():
            with self._lock:
                offset = next(self._numbers) * self._block % self._length
            try:
                moved += step(own, offset)
            except OSError:
                self._failed.set()
                raise
        return moved

    def _once(self, own: list[mmap.mmap], offset: int) -> int:
        return self._read(own[0], offset)

    def _read(self, buffer: mmap.mmap, offset: int) -> int:
        moved = os.preadv(self._descriptor, [buffer], offset)
        if moved < self._block:
            raise OSError(f"read {moved} of {self._block} bytes at offset {offset}: the device is gone or has shrunk")
        self._context.pace(moved)
        return moved

    def _twice(self, own: list[mmap.mmap], offset: int) -> int:
        """Read a region twice; where that differs once more, and see whether anybody wrote meanwhile."""
        before = self._counted()
        moved = self._read(own[0], offset) + self._read(own[1], offset)
        if self._first(own[0], own[1]) is None:
            return moved
        moved += self._read(own[2], offset)
        if unwritten_between(before, self._counted()):
            self._tell(own, offset)
        else:
            with self._lock:
                self._undecided += 1
        return moved

    def _counted(self) -> Counted | None:
        return counted_on(Path(self._target.label))

    def _first(self, one: mmap.mmap, other: mmap.mmap) -> int | None:
        return first_difference(address_of(one), address_of(other), self._block)

    def _tell(self, own: list[mmap.mmap], offset: int) -> None:
        """The reading that stands alone among three is the wrong one; the first, where none agree."""
        wrong, right = (own[1], own[2]) if self._first(own[0], own[2]) is None else (own[0], own[1])
        at = self._first(right, wrong)
        if at is not None:
            expected, found = (tail(address_of(buffer), at, self._block) for buffer in (right, wrong))
            self._context.differs(self._target, offset + at, expected, found)
