"""Writing a file whole or not at all, with the rights it had, and never in the place of what is no regular file."""

import contextlib
import gzip
import os
import secrets
import stat
from pathlib import Path

from probe.exceptions import InputError

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
PRIVATE = 0o600
"""Of what may hold serial numbers, which the kernel itself keeps to root."""

_ANYBODY = 0o666
"""Of a new file; the process's umask takes from it what it must."""


def write_atomically(path: Path, data: bytes, *, mode: int = _ANYBODY, group: int | None = None) -> None:
    """Replace a file with `data`, which is on the disk before the old one goes. Raises InputError if that fails.

    A name ending in `.gz` is compressed. A link is followed to the file that it names; a file keeps its rights; what is
    no regular file (a device, a pipe) is written into and stays what it is. A new one has `mode` and `group`.
    """
    if path.suffix == ".gz":
        data = gzip.compress(data, mtime=0)
    try:
        target = path.resolve()
        there = _status(target)
        if there is not None and not stat.S_ISREG(there.st_mode):
            _write_into(target, data)
        else:
            _replace(target, data, mode, group, there)
    except (OSError, RuntimeError, ValueError) as error:  # a loop of links, a NUL in the name
        what = f"cannot be written ({getattr(error, 'strerror', None) or error})"
        raise InputError(what, where=str(path), remedy="give a place with room that you may write to") from error


def _status(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except FileNotFoundError:
        return None


def _write_into(path: Path, data: bytes) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CLOEXEC | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        os.set_blocking(descriptor, True)
        write_all(descriptor, data)
    finally:
        os.close(descriptor)


def _like(descriptor: int, there: os.stat_result) -> None:
    """The new file has the old one's rights, and its owner as far as we may give files away.

    One that is its owner's already is not given away: a service may be forbidden the very call.
    """
    new = os.fstat(descriptor)
    if (new.st_uid, new.st_gid) != (there.st_uid, there.st_gid):
        with contextlib.suppress(PermissionError):
            os.fchown(descriptor, there.st_uid, there.st_gid)
    os.fchmod(descriptor, stat.S_IMODE(there.st_mode))


def _replace(path: Path, data: bytes, mode: int, group: int | None, there: os.stat_result | None) -> None:
    coming = path.with_name(f".{path.name[:200]}.{secrets.token_hex(8)}")
    descriptor = os.open(coming, _NEW, mode)
    try:
        try:
            if there is not None:
                _like(descriptor, there)
            elif group is not None and os.fstat(descriptor).st_gid != group:
                os.fchown(descriptor, -1, group)
            write_all(descriptor, data)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        coming.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            coming.unlink()
        raise
    sync_directory(path.parent)


def write_all(descriptor: int, data: bytes) -> None:
    """Write all bytes, however many the system takes at a time. Raises OSError."""
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]


def sync_directory(directory: Path) -> None:
    """Have a directory's entries on the disk. Raises OSError."""
    descriptor = os.open(directory, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
