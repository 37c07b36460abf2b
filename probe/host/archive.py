"""A tar of a /sys tree, read into memory in bounds: whole or refused, and nothing but plain files and links of its own.

A tar ends with two blocks of zeros; one without them was cut short, and a machine that was cut short is not a machine
with fewer links. Member names that leave the tree, devices and pipes are passed over. POSIX.1-2017, pax, ustar format.
"""

import bz2
import gzip
import io
import lzma
import os
import posixpath
import stat
import tarfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from probe.exceptions import InputError

MEMBER_BYTES = 16 << 20
"""The most that is kept of one member; files of /sys and tables of firmware are far smaller."""
ARCHIVE_BYTES = 1 << 30
MEMBERS = 2_000_000
_BLOCK = 512
_END_BYTES = 2 * _BLOCK
_CHUNK = 1 << 20
_REMEDY = "give a whole tar (or a directory) that holds bus/pci/devices as /sys does"
_MAGIC: tuple[tuple[bytes, Callable[[Any], io.BufferedIOBase]], ...] = (
    (b"\x1f\x8b", lambda file: gzip.GzipFile(fileobj=file)),
    (b"BZh", bz2.BZ2File),
    (b"\xfd7zXZ\x00", lzma.LZMAFile),
)


def read_archive_file(path: Path) -> tuple[dict[str, bytes], dict[str, str]]:
    """The files and links of a tar, by name. Raises InputError where it is damaged, cut short or past its bounds."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise InputError("is neither a directory nor a regular file", where=str(path), remedy=_REMEDY)
            return read_archive(file, str(path))
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=str(path), remedy="check the name") from error


def read_archive(file: io.BufferedIOBase, name: str) -> tuple[dict[str, bytes], dict[str, str]]:
    """The same of an open file that can be wound back. Raises InputError."""
    files: dict[str, bytes] = {}
    links: dict[str, str] = {}
    try:
        with _unpacked(file) as stream:
            content = _Counted(stream, name)
            with tarfile.open(fileobj=content, mode="r|") as archive:  # type: ignore[call-overload] # a stream need only read
                for member in _members(archive, name):
                    place = _name_of(member.name)
                    if place is None:
                        continue
                    if member.issym():
                        links[place] = member.linkname
                    elif member.isreg():
                        files[place] = _content(archive, member, name)
                end = archive.offset
            content.drain()
            if not content.ended_at(end):
                raise InputError("is not one whole tar: it was cut off, or more follows", where=name, remedy=_REMEDY)
    except (tarfile.TarError, lzma.LZMAError, zlib.error, OSError, EOFError, ValueError, RecursionError) as error:
        raise InputError(f"not a readable tar ({error})", where=name, remedy=_REMEDY) from error
    return files, links


@contextmanager
def _unpacked(file: io.BufferedIOBase) -> Iterator[io.BufferedIOBase]:
    head = file.read(6)
    file.seek(0)
    opened = next((kind for magic, kind in _MAGIC if head.startswith(magic)), None)
    if opened is None:
        yield file
        return
    with opened(file) as stream:
        yield stream


def _members(archive: tarfile.TarFile, name: str) -> Iterator[tarfile.TarInfo]:
    count = 0
    while (member := archive.next()) is not None:
        count += 1
        if count > MEMBERS:
            raise InputError(f"holds more than {MEMBERS} members", where=name, remedy=_REMEDY)
        yield member
        archive.members = []  # type: ignore[attr-defined] # the library keeps each, a kilobyte a member


def _content(archive: tarfile.TarFile, member: tarfile.TarInfo, name: str) -> bytes:
    if member.size > MEMBER_BYTES:
        what = f"holds {member.name[:80]!r} of {member.size} bytes, more than a file of /sys has"
        raise InputError(what, where=name, remedy=_REMEDY)
    content = archive.extractfile(member)
    data = content.read(MEMBER_BYTES) if content is not None else b""
    if len(data) != member.size:
        raise InputError("ends too early: it was cut off", where=name, remedy=_REMEDY)
    return data


def _name_of(name: str) -> str | None:
    """The name below the tree; None for one that leads out of it."""
    plain = posixpath.normpath(name.lstrip("/"))
    return None if plain.startswith("..") or plain == "." or "\0" in plain else plain


class _Counted:
    """A stream that counts what it gave, refuses to give too much, and knows where its last zeros begin."""

    def __init__(self, stream: io.BufferedIOBase, name: str) -> None:
        self._stream = stream
        self._name = name
        self._given = 0
        self._zeros_from = 0

    def read(self, size: int) -> bytes:
        """At most `size` bytes. Raises InputError past the bound."""
        data = self._stream.read(size)
        self._given += len(data)
        if self._given > ARCHIVE_BYTES:
            what = f"unpacks to more than {ARCHIVE_BYTES // _CHUNK} MiB"
            raise InputError(what, where=self._name, remedy=_REMEDY)
        if content := data.rstrip(b"\0"):
            self._zeros_from = self._given - len(data) + len(content)
        return data

    def drain(self) -> None:
        """Read what padding is left."""
        while self.read(_CHUNK):
            pass

    def ended_at(self, offset: int) -> bool:
        """No block is broken, and from the end of the last member on there are at least two, all of zeros.

        Zeros before that are a member's own: a cut behind them is a cut.
        """
        return self._given % _BLOCK == 0 and self._zeros_from <= offset <= self._given - _END_BYTES
