"""Storage round trip: seeded patterns written to a scratch file, read back past the cache, compared byte by byte.

Writes only to the file that a person names, which must be new or a scratch file of ours; to a raw device only where its
serial number was repeated, and never to one in use. Says what it will overwrite before it does.
"""

import hashlib
import mmap
import os
import stat
import time
from collections.abc import Callable
from pathlib import Path

from probe.exceptions import InputError
from probe.host.block_devices import behind, behind_number
from probe.host.numa import node_of
from probe.loads.block_devices import refuse_unless_named
from probe.loads.interface import Context, Target
from probe.loads.results import FROM_HOST, TO_HOST

_BLOCK = 256 << 10
_MARK = b"linkprobe scratch file: may be overwritten\n"
_UNIT = 64
_PAGE = 4096


class StorageRoundTrip:
    """Writes and reads back a scratch file."""

    name = "storage-round-trip"
    drives = "the file system, or with --raw the raw device, that the target is on"
    needs = "the path of a scratch file, as storage-round-trip:/mnt/disk/scratch"
    verifies = "every byte written is read back past the cache and compared"
    writes = "the scratch file that was named; a raw device only with its serial number repeated"
    phases: tuple[str, ...] = ()

    def target(self, text: str) -> Target:
        """A scratch file by path. Raises InputError for a file that is somebody's."""
        path = Path(text).absolute()
        if path.exists() and stat.S_ISBLK(path.stat().st_mode):
            address = behind(path)
            return Target(label=str(path), address=address, node=node_of(address))
        if not path.parent.is_dir():
            raise InputError(
                "no such directory", where=str(path.parent), remedy="name a scratch file on the file system"
            )
        if path.exists() and not _is_ours(path):
            raise InputError("is a file of somebody's", where=str(path), remedy="name a new file; nothing was written")
        address = behind_file(path.parent)
        return Target(label=str(path), address=address, node=node_of(address))

    def targets(self) -> list[Target]:
        """None: a person names what may be written."""
        return []

    def run(self, target: Target, context: Context) -> None:
        """Write, read back and compare, round after round, until stopped."""
        path = Path(target.label)
        raw = path.exists() and stat.S_ISBLK(path.stat().st_mode)
        if raw:
            refuse_unless_named(path, context.options.raw_serial)
        else:
            _prepare(path)
        flags = os.O_RDWR | os.O_DIRECT | os.O_CLOEXEC | (os.O_EXCL if raw else 0)
        descriptor = os.open(path, flags)
        try:
            trip = _Trip(descriptor, target, context, begin=0 if raw else context.options.block or _BLOCK)
            seed = context.options.seed
            while not context.stop.is_set():
                trip.round(seed)
                seed += 1
        finally:
            os.close(descriptor)
            if not raw:
                path.unlink(missing_ok=True)


def _is_ours(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(_MARK)) == _MARK


def _prepare(path: Path) -> None:
    """Mark a new scratch file as ours before anything else is written to it."""
    if not path.exists():
        with path.open("xb") as file:
            file.write(_MARK)
            file.flush()
            os.fsync(file.fileno())
    elif not _is_ours(path):
        raise InputError("is a file of somebody's", where=str(path), remedy="name a new file; nothing was written")


def behind_file(directory: Path) -> str | None:
    """The PCI function of the disk that a directory's file system is on."""
    device = directory.stat().st_dev
    return behind_number(os.major(device), os.minor(device))


def pattern(seed: int, block: int, size: int) -> bytes:
    """The bytes of one block: a digest stream of seed and block, numbered every 4 KiB, so that no pages are alike."""
    unit = hashlib.shake_128(f"{seed}/{block}".encode()).digest(_PAGE - 8)
    return b"".join(page.to_bytes(8, "little") + unit for page in range(-(-size // _PAGE)))[:size]


class _Trip:
    def __init__(self, descriptor: int, target: Target, context: Context, *, begin: int) -> None:
        self._descriptor = descriptor
        self._target = target
        self._context = context
        self._begin = begin
        self._size = context.options.block or _BLOCK
        self._count = max(1, context.options.size // self._size)
        self._buffer = mmap.mmap(-1, self._size)

    def round(self, seed: int) -> None:
        """One round over the whole scratch area."""
        written = self._each(lambda number: self._write(seed, number))
        os.fsync(self._descriptor)
        if written:
            self._context.passed(self._target, FROM_HOST, written[0], written[1], verified=False)
        read = self._each(lambda number: self._compare(seed, number))
        if read:
            self._context.passed(self._target, TO_HOST, read[0], read[1], verified=True)

    def _each(self, step: Callable[[int], None]) -> tuple[int, float] | None:
        start, moved = time.perf_counter(), 0
        for number in range(self._count):
            if self._context.stop.is_set():
                return None
            step(number)
            moved += self._size
            self._context.pace(self._size)
        return moved, time.perf_counter() - start

    def _write(self, seed: int, number: int) -> None:
        self._buffer[:] = pattern(seed, number, self._size)
        os.pwritev(self._descriptor, [self._buffer], self._begin + number * self._size)

    def _compare(self, seed: int, number: int) -> None:
        offset = self._begin + number * self._size
        got = os.preadv(self._descriptor, [self._buffer], offset)
        expected, found = pattern(seed, number, self._size), bytes(self._buffer[:got])
        if expected == found:
            return
        first = next(
            (at for at, pair in enumerate(zip(expected, found, strict=False)) if pair[0] != pair[1]), len(found)
        )
        start = first // _UNIT * _UNIT
        self._context.differs(self._target, offset + first, expected[start:], found[start:])
