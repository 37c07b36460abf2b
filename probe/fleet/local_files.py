"""What a store on a local path needs beside Delta Lake: one writer at a time, data that is on the disk, and mending.

Delta Lake appends to its log by a hard link, which is atomic, but it does not have the log on the disk before it says
so: after a power cut the newest entry may be empty. Such an entry was never acknowledged, so it is taken away.
"""

import fcntl
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from probe.documents.writing import let_go
from probe.exceptions import InputError


@contextmanager
def held(root: Path) -> Iterator[None]:
    """Wait until no other writer is in, and keep others out. Raises InputError where the place cannot be made."""
    try:
        root.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(root / ".lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        what = f"cannot be written ({error.strerror})"
        raise InputError(what, where=str(root), remedy="name a place that you may write to") from error
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        let_go(descriptor)


def synced(path: Path) -> None:
    """Have a file on the disk."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        let_go(descriptor)


def synced_folder(path: Path) -> None:
    """Have a directory's entries on the disk."""
    synced(path)


def mend(root: Path) -> bool:
    """Take out of the log what a power cut left half-made. Whether anything was. Raises OSError."""
    log = root / "_delta_log"
    if not log.is_dir():
        return False
    broken = []
    entries = sorted(path for path in log.glob("*.json") if path.stem.isdecimal())
    if entries and not _whole(entries[-1]):
        broken.append(entries[-1])
    for checkpoint in log.glob("*.checkpoint*.parquet"):
        try:
            pq.read_metadata(checkpoint)
        except pa.ArrowException:
            broken += [checkpoint, log / "_last_checkpoint"]
    for path in broken:
        path.unlink(missing_ok=True)
    if broken:
        synced_folder(log)
    return bool(broken)


def clear_unfinished(root: Path) -> None:
    """Delete the log entries that a killed writer had begun; only for who keeps other writers out. Raises OSError."""
    log = root / "_delta_log"
    for path in log.glob("*#*"):
        path.unlink(missing_ok=True)


def _whole(entry: Path) -> bool:
    try:
        lines = [json.loads(line) for line in entry.read_text().splitlines()]
    except ValueError:
        return False
    return any("commitInfo" in line for line in lines)
