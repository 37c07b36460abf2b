"""Storage round trip: patterns written in one phase, read back past the cache and compared in the next.

Writes only to the file that a person names, which must be new or a scratch file of ours; to a raw device only where its
serial number and every signature on it were repeated, and never to one in use.
"""

import os
import stat
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from probe.exceptions import InputError
from probe.host.block_devices import behind, behind_number, is_among_devices
from probe.host.numa import node_of
from probe.loads.block_devices import refuse_unless_named
from probe.loads.interface import MIB, Context, Options, Target
from probe.loads.refusing import refuse_odd_block
from probe.loads.results import FROM_HOST, TO_HOST
from probe.loads.scratch_area import ScratchArea, Share

_BLOCK = MIB
_IN_FLIGHT = 4
_MARK = b"linkprobe scratch file: may be overwritten\n"
_NEEDS_A_FILE = "name a new scratch file on a file system of the disk; nothing was written"


class StorageRoundTrip:
    """Writes and reads back a scratch file."""

    name = "storage-round-trip"
    drives = "the file system, or with --raw the raw device, that the target is on"
    needs = "the path of a scratch file, as storage-round-trip:/mnt/disk/scratch"
    verifies = "all that is read back, past the cache, is compared with what was written"
    writes = "the scratch file that was named; a raw device only with its serial number repeated"
    phases: tuple[str, ...] = (FROM_HOST, TO_HOST)

    def target(self, text: str) -> Target:
        """A scratch file or a raw device by path. Raises InputError for what is neither."""
        path = Path(text).absolute()
        if not path.parent.is_dir():
            raise InputError("no such directory", where=str(path.parent), remedy=_NEEDS_A_FILE)
        if _is_device(path):
            address = behind(path)
            return Target(label=str(path), address=address, node=node_of(address), overwritten=True)
        if not path.exists() and is_among_devices(path):
            raise InputError("is no block device: there is none of that name", where=str(path), remedy=_NEEDS_A_FILE)
        _refuse_what_is_not_ours(path)
        address = behind_file(path.parent)
        note = None if address else f"{path} is on no disk behind a PCI function: no link is loaded by it"
        return Target(label=str(path), address=address, node=node_of(address), note=note)

    def targets(self) -> list[Target]:
        """None: a person names what may be written."""
        return []

    def refuse(self, target: Target, options: Options) -> None:
        """Raise InputError for what holds somebody's data, and for what does not fit on it."""
        refuse_odd_block(options)
        path = Path(target.label)
        if target.overwritten:
            refuse_unless_named(path, options)
            return
        room = os.statvfs(path.parent)
        free = room.f_bavail * room.f_frsize + (path.stat().st_size if path.exists() else 0)
        if options.size > free:
            what = f"is more than is free there ({free} bytes)"
            raise InputError(what, where=f"--size {options.size} for {path}", remedy="give less")

    def memory_bytes(self, options: Options) -> int:
        """The pattern, and for each in flight what is written or read and what is expected."""
        return 2 * (1 + (options.in_flight or _IN_FLIGHT)) * (options.block or _BLOCK)

    def run(self, target: Target, context: Context) -> None:
        """Write in one phase, read back and compare in the other, until stopped."""
        path = Path(target.label)
        self.refuse(target, context.options)
        if not target.overwritten:
            _prepare(path)
        flags = os.O_RDWR | os.O_DIRECT | os.O_CLOEXEC | (os.O_EXCL if target.overwritten else 0)
        descriptor = os.open(path, flags)
        try:
            _run(descriptor, target, context)
        finally:
            os.close(descriptor)
            if not target.overwritten:
                path.unlink(missing_ok=True)


def _is_device(path: Path) -> bool:
    return path.exists() and stat.S_ISBLK(path.stat().st_mode)


def _refuse_what_is_not_ours(path: Path) -> None:
    if path.exists() and not _is_ours(path):
        raise InputError("is somebody's, and no scratch file of ours", where=str(path), remedy=_NEEDS_A_FILE)


def _is_ours(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(_MARK)) == _MARK


def _prepare(path: Path) -> None:
    """Mark a new scratch file as ours before anything else is written to it."""
    _refuse_what_is_not_ours(path)
    if not path.exists():
        with path.open("xb") as file:
            file.write(_MARK)
            file.flush()
            os.fsync(file.fileno())


def behind_file(directory: Path) -> str | None:
    """The PCI function of the disk that a directory's file system is on."""
    device = directory.stat().st_dev
    return behind_number(os.major(device), os.minor(device))


def _run(descriptor: int, target: Target, context: Context) -> None:
    area = ScratchArea(descriptor, target, context, block=context.options.block or _BLOCK)
    workers = min(context.options.in_flight or _IN_FLIGHT, area.count)
    shares = [Share(area, range(first, area.count, workers)) for first in range(workers)]
    with ThreadPoolExecutor(workers) as pool:
        for phase in context.phases():
            writes = phase.name == FROM_HOST
            start = time.perf_counter()
            moved = sum(pool.map(lambda share: share.work(phase, writes=writes), shares))  # noqa: B023 - used up at once
            seconds = time.perf_counter() - start
            if writes:
                os.fsync(descriptor)
            if moved:
                context.passed(target, phase.name, moved, seconds, verified=not writes)
