"""Whether a file that steers the program may be believed, and files that are taken only where they are plain ones."""

import os
import stat
from pathlib import Path

import probe
from probe.exceptions import InputError

_ROOT = 0
_PLAIN = os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC
_NOTE_BYTES = 64_000_000


def check_trusted(path: Path) -> None:
    """As root, refuse a file that another user could have written or put there. Raises InputError.

    Root is trusted, and who owns this program, since he can change it anyway.
    """
    if os.geteuid() != _ROOT:
        return
    trusted = {_ROOT, Path(probe.__path__[0]).stat().st_uid}
    real = Path(os.path.realpath(path))
    for place in (real, *real.parents):
        try:
            there = place.lstat()
        except OSError:
            return  # what is not there is told by whoever opens it
        if place == real and not (stat.S_ISREG(there.st_mode) or stat.S_ISDIR(there.st_mode)):
            return  # and so is what is no file: the rights of a device are not to be changed for our sake
        kept = place != real and there.st_mode & stat.S_ISVTX  # in a sticky directory, nobody else can replace it
        if there.st_uid not in trusted or (others_can_write(there) and not kept):
            what = f"could have been changed by another user ({place}), and this runs as root"
            raise InputError(what, where=str(path), remedy=f"chown root {place}; chmod go-w {place}")


def others_can_write(there: os.stat_result) -> bool:
    """Whether any user can write it, or a group that is not root's."""
    return bool(there.st_mode & stat.S_IWOTH) or bool(there.st_mode & stat.S_IWGRP and there.st_gid != _ROOT)


def others_can_read(there: os.stat_result) -> bool:
    """Whether anybody but its owner has any right to it."""
    return bool(stat.S_IMODE(there.st_mode) & (stat.S_IRWXG | stat.S_IRWXO))


def is_shared_by_all(folder: os.stat_result) -> bool:
    """Whether all can write to a directory in which each keeps his own, as /tmp is."""
    return bool(folder.st_mode & stat.S_ISVTX and folder.st_mode & stat.S_IWOTH)


def read_regular(path: Path) -> bytes:
    """The content of a plain file of bounded size, no link followed. Raises OSError."""
    descriptor = os.open(path, _PLAIN)
    with os.fdopen(descriptor, "rb") as file:
        there = os.fstat(descriptor)
        if not stat.S_ISREG(there.st_mode) or there.st_size > _NOTE_BYTES:
            raise OSError(0, "is no plain file of a size that is read")
        return file.read(_NOTE_BYTES)
