"""Which source a person means by the path given: a /sys tree, a directory that holds one, or a tar of either."""

import io
from pathlib import Path
from typing import TypeVar

from probe.exceptions import InputError
from probe.host.archive import read_archive, read_archive_file
from probe.host.capture import NOTES, read_notes
from probe.host.source import DirectorySource, MemorySource, Source

T = TypeVar("T")
_DEVICES = "bus/pci/devices"
_REMEDY = "give a directory (or a tar) that holds bus/pci/devices as /sys does"


def open_source(path: Path | None) -> Source:
    """The live host for None, otherwise the tree at `path`. Raises InputError if there is no /sys tree."""
    if path is None:
        return DirectorySource()
    try:
        if path.exists() and not path.is_dir():
            return _from_tar(path)
        for sys in (path, path / "sys"):
            if (sys / _DEVICES).is_dir():
                return DirectorySource(sys, sys.parent if sys.name == "sys" else None)
        what = "no /sys tree is here" if path.exists() else "no such directory"
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
    raise InputError(what, where=str(path), remedy=_REMEDY)


def _from_tar(path: Path) -> MemorySource:
    """The tree in a tar. Raises InputError."""
    return _tree(*read_archive_file(path), str(path))


def tar_source(data: bytes, name: str) -> MemorySource:
    """The tree in the bytes of a tar, compressed or not: one made by hand, or by the script of `capture-script`.

    Raises InputError.
    """
    return _tree(*read_archive(io.BytesIO(data), name), name)


def _tree(files: dict[str, bytes], links: dict[str, str], name: str) -> MemorySource:
    notes = read_notes(files.pop(NOTES, b"").decode("utf-8", "replace"))
    prefix = _prefix([*files, *links])
    if prefix is None:
        raise InputError("no /sys tree is inside", where=name, remedy=_REMEDY)
    return MemorySource(_moved(files, prefix), _moved(links, prefix), name, notes.unread, notes.origin)


def _prefix(names: list[str]) -> str | None:
    """What stands before `bus/pci/devices`, with `sys/` itself taken to be part of the tree."""
    for name in names:
        head, found, _ = name.partition(_DEVICES + "/")
        if found:
            return head
    return None


def _moved(entries: dict[str, T], prefix: str) -> dict[str, T]:
    """Entries under `prefix` put below sys/; those beside a `…/sys/` prefix keep their own place."""
    above = prefix.removesuffix("sys/") if prefix.endswith("sys/") else None
    moved: dict[str, T] = {}
    for name, content in entries.items():
        if name.startswith(prefix):
            moved["sys/" + name[len(prefix) :]] = content
        elif above is not None and name.startswith(above):
            moved[name[len(above) :]] = content
    return moved
