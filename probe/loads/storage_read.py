"""Storage read: large reads past the cache, some regions twice and compared by digest. Writes nothing.

Any block device may be read, mounted or not. On a mounted one a region may change between two readings because somebody
writes it, so a region that differs is read a third time and only counts if it differs from both again.
"""

import hashlib
import mmap
import os
import threading
import time

from probe.host.block_devices import behind, device_path, whole_devices
from probe.host.numa import node_of
from probe.loads.interface import MIB, Context, Target
from probe.loads.results import TO_HOST

_BLOCK = 8 * MIB
_CHECK_EVERY = 16
_IN_FLIGHT = 3
_PASS_S = 1.0


class StorageRead:
    """Reads block devices."""

    name = "storage-read"
    drives = "NVMe and other block devices behind a link"
    needs = "block devices, and the right to read them"
    verifies = "one region in sixteen is read twice and compared by digest"
    writes = "nothing"
    phases: tuple[str, ...] = ()

    def target(self, text: str) -> Target:
        """A block device by name or path."""
        path = device_path(text)
        address = behind(path)
        return Target(label=str(path), address=address, node=node_of(address))

    def targets(self) -> list[Target]:
        """Every whole disk behind a PCI function."""
        return [self.target(str(path)) for path in whole_devices()]

    def run(self, target: Target, context: Context) -> None:
        """Read until stopped, with several reads in flight."""
        descriptor = os.open(target.label, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)
        try:
            block = context.options.block or _BLOCK
            length = os.lseek(descriptor, 0, os.SEEK_END) // block * block
            if length == 0:
                raise OSError(f"{target.label} is smaller than one block of {block} bytes")
            _Reading(descriptor, length, block, target, context).run()
        finally:
            os.close(descriptor)


class _Reading:
    def __init__(self, descriptor: int, length: int, block: int, target: Target, context: Context) -> None:
        self._descriptor = descriptor
        self._length = length
        self._block = block
        self._target = target
        self._context = context
        self._lock = threading.Lock()
        self._next = 0
        self._moved = 0
        self._failure: OSError | None = None

    def run(self) -> None:
        count = self._context.options.in_flight or _IN_FLIGHT
        workers = [threading.Thread(target=self._work, daemon=True) for _ in range(count)]
        start = time.perf_counter()
        for worker in workers:
            worker.start()
        while any(worker.is_alive() for worker in workers):
            self._context.stop.wait(_PASS_S)
            start = self._passed(start)
            if self._failure is not None:
                self._context.stop.set()
        for worker in workers:
            worker.join()
        if self._failure is not None:
            raise self._failure

    def _passed(self, start: float) -> float:
        with self._lock:
            moved, self._moved = self._moved, 0
        now = time.perf_counter()
        if moved:
            self._context.passed(self._target, TO_HOST, moved, now - start, verified=True)
        return now

    def _work(self) -> None:
        buffer = mmap.mmap(-1, self._block)
        try:
            while not self._context.stop.is_set() and self._failure is None:
                with self._lock:
                    number = self._next
                    self._next += 1
                offset = number * self._block % self._length
                self._read(buffer, offset)
                if number % _CHECK_EVERY == 0:
                    self._check(buffer, offset)
        except OSError as error:
            self._failure = error
        finally:
            buffer.close()

    def _read(self, buffer: mmap.mmap, offset: int) -> None:
        moved = os.preadv(self._descriptor, [buffer], offset)
        with self._lock:
            self._moved += moved
        self._context.pace(moved)

    def _check(self, buffer: mmap.mmap, offset: int) -> None:
        seen = [hashlib.blake2b(buffer).digest()]
        kept = bytes(buffer[:64])
        for _ in range(2):
            self._read(buffer, offset)
            seen.append(hashlib.blake2b(buffer).digest())
            if seen[-1] in seen[:-1]:
                break
        else:
            self._context.differs(self._target, offset, kept, bytes(buffer[:64]))
