"""How often the kernel wrote to a disk (`Documentation/block/stat.rst`), to tell damage from a change.

The counts are those of the whole disk: somebody may write to a partition by the disk that it is on.
"""

from pathlib import Path

import msgspec

from probe.host.class_devices import SYS

_BLOCK = SYS / "class" / "block"
_READS, _WRITES, _DISCARDS = 0, 4, 11
"""Columns of `stat`; older kernels count no discards."""
_WRITES_UNDER_WAY = 1
"""Column of `inflight`."""


class Counted(msgspec.Struct, frozen=True, kw_only=True):
    """Requests that a disk has completed since boot, and writes that it has not completed yet."""

    reads: int
    changes: tuple[int, ...]
    under_way: int


def counted_on(device: Path) -> Counted | None:
    """The counts of the disk that a block device is, or is on; None where the kernel keeps none."""
    entry = _BLOCK / device.resolve().name
    if (entry / "partition").exists():
        entry = entry.resolve().parent
    try:
        stat = [int(word) for word in (entry / "stat").read_text().split()]
        under_way = [int(word) for word in (entry / "inflight").read_text().split()]
        changes = tuple(stat[column] for column in (_WRITES, _DISCARDS) if column < len(stat))
        return Counted(reads=stat[_READS], changes=changes, under_way=under_way[_WRITES_UNDER_WAY])
    except (OSError, ValueError, IndexError):
        return None


def unwritten_between(before: Counted | None, after: Counted | None) -> bool:
    """Whether the counts show that nothing was written from one moment to the other, between which we read.

    False where that is not known: a disk whose reads of ours are not counted (a queue with `iostats` off, an older
    multipath device) would not count writes either.
    """
    if before is None or after is None or after.reads <= before.reads:
        return False
    return before.changes == after.changes and not before.under_way and not after.under_way
