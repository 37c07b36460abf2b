"""Which source a person means by the path given: a /sys tree, a directory that holds one, or a tar of either."""

import io
from itertools import chain
from pathlib import Path
from typing import TypeVar

from probe.exceptions import InputError
from probe.host.archive import read_archive, read_archive_file
from probe.host.capture import NOTES, read_notes
from probe.host.source import DirectorySource, MemorySource, Source
from probe.kernel_spellings import FUNCTION_LIST

T = TypeVar("T")
_REMEDY = f"give a directory (or a tar) that holds {FUNCTION_LIST} as /sys does"
_ALWAYS = ("bus", "devices")
"""What every /sys holds, with PCI or without."""


def open_source(path: Path | None) -> Source:
    """The live host for None, otherwise the tree at `path`. Raises InputError if there is no /sys tree."""
    if path is None:
        return DirectorySource()
    try:
        if path.exists() and not path.is_dir():
            return _from_tar(path)
        places = (path, path / "sys")
        with_pci = (sys for sys in places if (sys / FUNCTION_LIST).is_dir())
        without = (sys for sys in places if all((sys / name).is_dir() for name in _ALWAYS))
        found = next(chain(with_pci, without), None)
        if found is not None:
            return DirectorySource(found, found.parent if found.name == "sys" else None)
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
    noted = files.pop(NOTES, None)
    notes = read_notes((noted or b"").decode("utf-8", "replace"))
    prefix = _prefix([*files, *links])
    if prefix is None and noted is not None:
        prefix = "sys/"  # our script found no function
    if prefix is None:
        raise InputError("no /sys tree is inside", where=name, remedy=_REMEDY)
    return MemorySource(_moved(files, prefix), _moved(links, prefix), name, notes.unread, notes.origin)


def _prefix(names: list[str]) -> str | None:
    """What stands before the list of functions, with `sys/` itself taken to be part of the tree."""
    for name in names:
        head, found, _ = name.partition(FUNCTION_LIST + "/")
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
