"""The journal while it is written: everything appended is on the disk when the call returns.

The file is locked for as long, so that nobody takes a run that goes on for one that was cut off. A little room is kept
behind its end, so that a full disk does not keep the reason of the end from being written.
"""

import contextlib
import ctypes
import errno
import fcntl
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Self

import msgspec

from probe.documents.writing import PRIVATE, let_go, write_all
from probe.exceptions import InputError
from probe.soak.journal import Entry, Sample
from probe.soak.shorter import Shorter
from probe.soak.thinning import USUAL, Sizes

_ENCODER = msgspec.json.Encoder()
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC
_ROOM = 1 << 16
_KEEP_SIZE = 1
"""FALLOC_FL_KEEP_SIZE of linux/falloc.h: the file does not seem longer for it."""
_fallocate = ctypes.CDLL(None, use_errno=True).fallocate
_fallocate.argtypes = (ctypes.c_int, ctypes.c_int, ctypes.c_int64, ctypes.c_int64)


def _as_it_is(entry: Entry) -> Entry:
    return entry


class Journal:
    """An open journal; `shorter` is one of it in the making. Each entry passes `clean` before it is written."""

    def __init__(
        self, path: Path, descriptor: int, sizes: Sizes = USUAL, clean: Callable[[Entry], Entry] = _as_it_is
    ) -> None:
        self._path = path
        self._clean = clean
        self._descriptor = descriptor
        self._sizes = sizes
        self._fine = 0
        self.shorter: Shorter | None = None
        self._end, self._reserved = os.fstat(descriptor).st_size, 0
        _lock(descriptor)

    @classmethod
    def create(cls, path: Path, sizes: Sizes = USUAL, clean: Callable[[Entry], Entry] = _as_it_is) -> Self:
        """A new journal, made shorter as it grows. Raises InputError where a file is there or cannot be made."""
        try:
            return cls(path, os.open(path, _NEW, PRIVATE), sizes, clean)
        except FileExistsError as error:
            remedy = "name a new file, or close it: linkprobe soak close"
            raise InputError("is already there", where=str(path), remedy=remedy) from error
        except OSError as error:
            raise CannotRecord.because(path, error) from error

    def append(self, *entries: Entry) -> None:
        """Write entries and have them on the disk. Raises CannotRecord while there is room left for `end`."""
        data = _encoded(map(self._clean, entries))
        try:
            self._reserve(len(data))
            self._write(data)
        except OSError as error:
            raise CannotRecord.because(self._path, error) from error
        self._fine += sum(isinstance(entry, Sample) for entry in entries)
        self._thin()

    def append_last(self, *entries: Entry) -> None:
        """Write the end into the room that was kept for it. Raises CannotRecord."""
        try:
            self._write(_encoded(map(self._clean, entries)))
        except OSError as error:
            raise CannotRecord.because(self._path, error) from error

    def _write(self, data: bytes) -> None:
        write_all(self._descriptor, data)
        os.fdatasync(self._descriptor)
        self._end += len(data)

    def _reserve(self, coming: int) -> None:
        """Have room on the disk for what comes and for an end after it, where the file system can promise that."""
        if self._end + coming + _ROOM <= self._reserved:
            return
        size = coming + 2 * _ROOM
        if _fallocate(self._descriptor, _KEEP_SIZE, self._end, size) == 0:
            self._reserved = self._end + size
        elif ctypes.get_errno() == errno.ENOSPC:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _thin(self) -> None:
        """Begin to make it shorter when there is much to leave out, and take the shorter one when it is made."""
        if self.shorter is None and self._fine >= 2 * self._sizes.fine:
            self._fine = self._sizes.fine
            self.shorter = Shorter(self._path, self._end, self._sizes)
        elif self.shorter is not None and self.shorter.is_over:
            shorter, self.shorter = self.shorter, None
            taken = shorter.take_its_place(self._descriptor, self._end)
            if taken is not None:
                self._descriptor, self._end, self._reserved = *taken, 0
                _lock(self._descriptor)

    def close(self) -> None:
        """Let the file and its lock go, and give back the room behind its end."""
        if self.shorter is not None:
            self.shorter.give_up()
        with contextlib.suppress(OSError):
            os.ftruncate(self._descriptor, self._end)
        let_go(self._descriptor)


class CannotRecord(InputError):
    """The journal cannot be written to any more."""

    @classmethod
    def because(cls, path: Path, error: OSError) -> Self:
        """With what the system says."""
        what = f"the journal cannot be written ({error.strerror})"
        return cls(what, where=str(path), remedy="make room, then: linkprobe soak close")


def _encoded(entries: Iterable[Entry]) -> bytes:
    return b"".join(_ENCODER.encode(entry) + b"\n" for entry in entries)


def _lock(descriptor: int) -> None:
    with contextlib.suppress(OSError):  # a file system without locks
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
