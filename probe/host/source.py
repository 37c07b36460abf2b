"""Where evidence is read from: a live /sys, a copied tree, or one held in memory (a tar, the demonstration machine).

A path is relative to the root of the file system that the tree was taken from: `sys/bus/pci/devices`, `proc/uptime`.
No source raises for what it could not read; it gives an Unread in its place.
"""

import errno
import os
import posixpath
import stat
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

from probe.evidence import Unread, Why

TEXT_LIMIT = 65_536
WHY = {
    errno.ENOENT: Why.ABSENT,
    errno.ENOTDIR: Why.ABSENT,
    errno.EACCES: Why.DENIED,
    errno.EPERM: Why.DENIED,
    errno.ENODEV: Why.GONE,
    errno.ENXIO: Why.GONE,
}


LEFT_ALONE = "did not answer and was left alone"


class NoAnswer(OSError):
    """A file that did not answer before, and is not asked again."""


def unread(path: str, error: OSError | ValueError) -> Unread:
    """An operating system's error as evidence; a name that no system call takes is a failure too."""
    if isinstance(error, NoAnswer):
        return Unread(spelled(path), Why.HUNG, LEFT_ALONE)
    if isinstance(error, OSError):
        return Unread(spelled(path), WHY.get(error.errno or 0, Why.FAILED), error.strerror or "")
    return Unread(spelled(path), Why.FAILED, str(error))


def spelled(name: str) -> str:
    """A file's name as text that can be written, each byte that is no UTF-8 by its number."""
    return name if name.isascii() else name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _joined(path: str, link: str) -> str:
    """What a link at `path` leads to, below the root of the tree."""
    return posixpath.normpath(posixpath.join(posixpath.dirname(path), link)).lstrip("/")


class Bytes(Protocol):
    """An open binary file."""

    def read(self, offset: int, size: int) -> bytes | Unread:
        """At most `size` bytes; fewer where the file ends."""

    def close(self) -> None:
        """Let the file go."""


class Origin(NamedTuple):
    """When the files of a source were taken, by root or not, and of which machine; None where that is not known.

    `machine_id` is the derived id, where the files hold no other.
    """

    taken_at: str | None = None
    privileged: bool | None = None
    machine_id: str | None = None


class Source(Protocol):
    """A tree of files. `live` says that reading may stir the hardware; `origin` is a live one's own present."""

    live: bool
    label: str
    origin: Origin

    def text(self, path: str) -> str | Unread:
        """A small text file, without surrounding white space or padding."""

    def texts(self, directory: str, names: Sequence[str]) -> dict[str, str | Unread]:
        """Many small files of one directory."""

    def names(self, path: str) -> list[str] | Unread:
        """The entries of a directory, sorted."""

    def target(self, path: str) -> str | Unread:
        """Where a symbolic link leads, one step; the path itself where it is no link."""

    def open(self, path: str) -> Bytes | Unread:
        """A binary file, open for reading."""


def stated(source: Source, path: str) -> str | None:
    """A small text file that says something; None for one that is empty or was not read."""
    content = source.text(path)
    return content if isinstance(content, str) and content else None


_FLAGS = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY
_FLAGS_OF_COPY = _FLAGS | os.O_NOFOLLOW
_PAGE = 4096  # as long as an attribute of the kernel can be
_PADDING = "\0 \t\r\n"
_LINKS_ON_THE_WAY = 40  # as many as the kernel follows


def _read_text(descriptor: int) -> str:
    try:
        data = os.read(descriptor, _PAGE)
        if len(data) == _PAGE:
            data += os.read(descriptor, TEXT_LIMIT - _PAGE)
    finally:
        _close(descriptor)
    return data.decode("utf-8", "replace").strip(_PADDING)


def _close(descriptor: int) -> None:
    """Let a file go that was only read: an error on closing says nothing about what was read."""
    try:  # noqa: SIM105 - tens of thousands of files; suppress() takes longer than closing
        os.close(descriptor)
    except OSError:
        pass


class _File:
    __slots__ = ("_descriptor", "_path")

    def __init__(self, path: str, descriptor: int) -> None:
        self._path = path
        self._descriptor = descriptor

    def read(self, offset: int, size: int) -> bytes | Unread:
        try:
            os.lseek(self._descriptor, offset, os.SEEK_SET)
            return os.read(self._descriptor, size)
        except OSError as error:
            return unread(self._path, error)

    def close(self) -> None:
        _close(self._descriptor)


class DirectorySource:
    """Files of a real file system: `sys` is where /sys is, and `root` the root it was taken with, if known.

    In a copied tree no link is followed that leads out of it, to files of the machine that reads it.
    """

    def __init__(self, sys: Path = Path("/sys"), root: Path | None = Path("/")) -> None:
        self.sys = os.path.realpath(sys)
        self._root = None if root is None else os.path.realpath(root)
        self._top = self._root or self.sys
        self._inside: dict[str, str] = {}
        self._passed_over: set[str] = set()
        self.live = self.sys == "/sys"
        self.label = "live" if self.live else spelled(str(sys))
        self.origin = Origin(privileged=os.geteuid() == 0 if self.live else None)

    def pass_over(self, real: str) -> str:
        """Read a file no more, named as the system names it: it did not answer. Its path in the tree."""
        self._passed_over.add(real)
        if real == self.sys or real.startswith(self.sys + "/"):
            return f"sys{real[len(self.sys) :]}"
        return spelled(real.removeprefix(self._root or "").lstrip("/"))

    def _real(self, path: str) -> str:
        if path == "sys" or path.startswith("sys/"):
            return self.sys + path[3:]
        if self._root is None:
            raise FileNotFoundError(errno.ENOENT, "not a part of this tree")
        return posixpath.join(self._root, path)

    def _directory(self, path: str) -> str:
        """Where a directory is. Raises PermissionError for one outside of a copied tree."""
        if self._top == "/":
            return self._real(path)
        found = self._inside.get(path)
        if found is None:
            found = self._inside[path] = self._checked(self._real(path))
        return found

    def _checked(self, path: str) -> str:
        real = os.path.realpath(path)
        if real != self._top and not real.startswith(self._top + "/"):
            raise PermissionError(errno.EACCES, "it leads out of this tree")
        return real

    def _opened(self, directory: str, name: str) -> int:
        """An open file of a directory that was checked."""
        path = f"{directory}/{name}"
        if self._passed_over and os.path.realpath(path) in self._passed_over:
            raise NoAnswer(path)
        if self._top == "/":
            return os.open(path, _FLAGS)
        try:
            return os.open(path, _FLAGS_OF_COPY)
        except OSError as error:
            if error.errno != errno.ELOOP:
                raise
        return os.open(self._checked(path), _FLAGS_OF_COPY)

    def text(self, path: str) -> str | Unread:
        """A small text file; see Source."""
        directory, name = posixpath.split(path)
        return self.texts(directory, (name,))[name]

    def texts(self, directory: str, names: Sequence[str]) -> dict[str, str | Unread]:
        """Many small files of one directory; see Source."""
        found: dict[str, str | Unread] = {}
        for name in names:
            below, _, last = name.rpartition("/")
            try:
                where = self._directory(f"{directory}/{below}" if below else directory)
                found[name] = _read_text(self._opened(where, last))
            except (OSError, ValueError) as error:
                found[name] = unread(f"{directory}/{name}", error)
        return found

    def names(self, path: str) -> list[str] | Unread:
        """The entries of a directory; see Source."""
        try:
            directory = self._directory(path)
            if self._passed_over and os.path.realpath(directory) in self._passed_over:
                raise NoAnswer(path)
            return sorted(os.listdir(directory))
        except (OSError, ValueError) as error:
            return unread(path, error)

    def target(self, path: str) -> str | Unread:
        """Where a symbolic link leads; see Source."""
        try:
            link = os.readlink(self._real(path))
        except OSError as error:
            return path if error.errno == errno.EINVAL else unread(path, error)
        except ValueError as error:
            return unread(path, error)
        return _joined(path, link)

    def open(self, path: str) -> Bytes | Unread:
        """A binary file; see Source."""
        directory, name = posixpath.split(path)
        try:
            descriptor = self._opened(self._directory(directory), name)
        except (OSError, ValueError) as error:
            return unread(path, error)
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            return Unread(spelled(path), Why.FAILED, "is a directory")
        return _File(path, descriptor)


class _Held:
    __slots__ = ("_data",)

    def __init__(self, data: bytes) -> None:
        self._data = data

    def read(self, offset: int, size: int) -> bytes | Unread:
        return self._data[offset : offset + size]

    def close(self) -> None:
        return None


class MemorySource:
    """A tree held in memory: files by path, symbolic links by path, and paths whose reading fails."""

    live = False

    def __init__(
        self,
        files: Mapping[str, bytes],
        links: Mapping[str, str],
        label: str,
        failures: Mapping[str, Unread] | None = None,
        origin: Origin | None = None,
    ) -> None:
        self._files = files
        self._links = links
        self._failures = failures or {}
        self.label = label
        self.origin = origin or Origin()
        self._entries: dict[str, set[str]] = {}
        for path in (*files, *links, *self._failures):
            self._note(path)

    def _note(self, path: str) -> None:
        while path:
            parent, name = posixpath.split(path)
            entries = self._entries.setdefault(parent, set())
            if name in entries:
                return
            entries.add(name)
            path = parent

    def _follow(self, path: str) -> str:
        for _ in range(_LINKS_ON_THE_WAY):
            if path in self._files or path in self._entries:
                return path
            parts = path.split("/")
            for count in range(1, len(parts) + 1):
                head = "/".join(parts[:count])
                target = self._links.get(head)
                if target is not None:
                    path = posixpath.normpath(posixpath.join(_joined(head, target), *parts[count:]))
                    break
            else:
                return path
        return path

    def text(self, path: str) -> str | Unread:
        """A small text file; see Source."""
        real = self._follow(path)
        if real in self._failures:
            return self._failures[real]
        data = self._files.get(real)
        if data is None:
            return Unread(path, Why.ABSENT, "No such file or directory")
        return data[:TEXT_LIMIT].decode("utf-8", "replace").strip(_PADDING)

    def texts(self, directory: str, names: Sequence[str]) -> dict[str, str | Unread]:
        """Many small files of one directory; see Source."""
        return {name: self.text(f"{directory}/{name}") for name in names}

    def names(self, path: str) -> list[str] | Unread:
        """The entries of a directory; see Source."""
        entries = self._entries.get(self._follow(path))
        return Unread(path, Why.ABSENT, "No such file or directory") if entries is None else sorted(entries)

    def target(self, path: str) -> str | Unread:
        """Where a symbolic link leads; see Source."""
        if path in self._links:
            return _joined(path, self._links[path])
        real = self._follow(path)
        if real in self._files or real in self._entries:
            return real
        return Unread(path, Why.ABSENT, "No such file or directory")

    def open(self, path: str) -> Bytes | Unread:
        """A binary file; see Source."""
        real = self._follow(path)
        if real in self._failures:
            return self._failures[real]
        data = self._files.get(real)
        return Unread(path, Why.ABSENT, "No such file or directory") if data is None else _Held(data)
