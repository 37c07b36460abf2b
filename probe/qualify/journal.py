"""The journal as a file: appended and on the disk before the next thing is done, locked while a run lives.

May live here: the file. May not: what stands in it, or what follows from it.
"""

import fcntl
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Self

import msgspec

from probe.documents.writing import sync_directory, write_all
from probe.exceptions import InputError
from probe.qualify.entries import Begun, Entry
from probe.qualify.journal_lines import decoded, whole_lines

_ENCODER = msgspec.json.Encoder()


class Journal:
    """An open, locked journal. What is appended is on the disk when the call returns."""

    def __init__(self, path: Path, descriptor: int, entries: Sequence[Entry]) -> None:
        self.path = path
        self._descriptor = descriptor
        self.entries: list[Entry] = list(entries)

    @classmethod
    def create(cls, path: Path, begun: Begun) -> Self:
        """A new journal. Raises InputError where one is there or it cannot be made."""
        descriptor = _opened(path, os.O_CREAT | os.O_EXCL)
        journal = cls(path, descriptor, ())
        journal.append(begun)
        sync_directory(path.parent)
        return journal

    @classmethod
    def resume(cls, path: Path) -> Self:
        """One that is there, without a last line that was cut off. Raises InputError, DocumentError."""
        descriptor = _opened(path, 0)
        try:
            data = path.read_bytes()
            lines = whole_lines(data, str(path))
            os.ftruncate(descriptor, sum(len(line) + 1 for line in lines))
            entries = decoded(lines, str(path))
        except BaseException:
            os.close(descriptor)
            raise
        return cls(path, descriptor, entries)

    def append(self, *entries: Entry) -> None:
        """Write entries and have them on the disk. Raises InputError where that fails, as on a full disk."""
        try:
            write_all(self._descriptor, b"".join(_ENCODER.encode(entry) + b"\n" for entry in entries))
            os.fsync(self._descriptor)
        except OSError as error:
            raise _cannot(self.path, error) from error
        self.entries += entries

    def lines(self) -> tuple[bytes, ...]:
        """The lines as they stand in the file."""
        return whole_lines(self.path.read_bytes(), str(self.path))

    def close(self) -> None:
        """Let the file and its lock go."""
        os.close(self._descriptor)


def _opened(path: Path, flags: int) -> int:
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CLOEXEC | os.O_NOFOLLOW | flags, 0o666)
    except OSError as error:
        raise _cannot(path, error) from error
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(descriptor)
        what = "another run of linkprobe qualify is at work on it"
        raise InputError(what, where=str(path), remedy="wait for its end, or name another record with -o") from error
    return descriptor


def _cannot(path: Path, error: OSError) -> InputError:
    what = f"the journal cannot be written ({error.strerror})"
    return InputError(what, where=str(path), remedy="make room there, then give the same command again")
