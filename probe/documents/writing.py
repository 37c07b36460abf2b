"""Writing a file whole or not at all, with the rights it had, and never in the place of what is no regular file."""

import contextlib
import fcntl
import gzip
import os
import re
import secrets
import stat
from pathlib import Path

from probe.documents.rights import is_shared_by_all
from probe.exceptions import InputError

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
PRIVATE = 0o600
"""Of what may hold serial numbers, which the kernel itself keeps to root."""

_LINKS_ON_THE_WAY = 40  # as many as the kernel follows
_TOKEN_BYTES = 8
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
        target = _followed(path)
        there = _status(target)
        if there is not None and not stat.S_ISREG(there.st_mode):
            _write_into(target, data)
        else:
            _replace(target, data, mode, group, there)
    except (OSError, RuntimeError, ValueError) as error:  # a loop of links, a NUL in the name
        what = f"cannot be written ({getattr(error, 'strerror', None) or error})"
        raise InputError(what, where=str(path), remedy="give a place with room that you may write to") from error


def _followed(path: Path) -> Path:
    """Where the links at `path` lead. Raises PermissionError for one that another user may have laid.

    As the kernel refuses them where it is asked to (Documentation/admin-guide/sysctl/fs.rst, protected_symlinks): in a
    sticky directory that all can write, a link must be ours or the directory's owner's. Replacing goes round that.
    """
    for _ in range(_LINKS_ON_THE_WAY):
        try:
            link = path.lstat()
        except FileNotFoundError:
            break
        if not stat.S_ISLNK(link.st_mode):
            break
        folder = path.parent.stat()
        if is_shared_by_all(folder) and link.st_uid not in {os.geteuid(), folder.st_uid}:
            raise PermissionError(0, "it is a link that another user laid")
        path = path.parent / path.readlink()
    return path.resolve()


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
    except BaseException:
        let_go(descriptor)
        raise
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
    _sweep(path)
    coming, descriptor = _begun(path, mode)
    try:
        if there is not None:
            _like(descriptor, there)
        elif group is not None and os.fstat(descriptor).st_gid != group:
            os.fchown(descriptor, -1, group)
        write_all(descriptor, data)
        os.fsync(descriptor)
        coming.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            coming.unlink()
        raise
    finally:
        let_go(descriptor)  # after the file has its name: what is not locked is swept
    sync_directory(path.parent)


def _begun(path: Path, mode: int) -> tuple[Path, int]:
    """A new file beside `path`, locked for as long as it is open."""
    while True:
        coming = path.with_name(f"{_beginning(path)}{secrets.token_hex(_TOKEN_BYTES)}")
        descriptor = os.open(coming, _NEW, mode)
        with contextlib.suppress(OSError):  # a file system without locks is not swept either
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        if os.fstat(descriptor).st_nlink:
            return coming, descriptor
        let_go(descriptor)  # swept before it was locked


def _beginning(path: Path) -> str:
    return f".{path.name[:200]}."


def _sweep(path: Path) -> None:
    """Delete what writers of this file left who were killed: files of ours of such a name that nobody holds."""
    ours = re.compile(re.escape(_beginning(path)) + f"[0-9a-f]{{{2 * _TOKEN_BYTES}}}")
    with contextlib.suppress(OSError):
        for found in path.parent.iterdir():
            if ours.fullmatch(found.name):
                _sweep_one(found)


def _sweep_one(found: Path) -> None:
    with contextlib.suppress(OSError):
        descriptor = os.open(found, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if os.fstat(descriptor).st_uid == os.geteuid():
                found.unlink()
        finally:
            os.close(descriptor)


def let_go(descriptor: int) -> None:
    """Close a file whose content is on the disk already, or is not wanted: an error now says nothing about it."""
    with contextlib.suppress(OSError):
        os.close(descriptor)


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
        let_go(descriptor)
