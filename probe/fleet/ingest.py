"""Spools into a store: every file once, however often it is run, killed, or run beside another.

A file is known by the digest of its bytes. One that cannot be used is set aside with the reason, never dropped.
"""

import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from hashlib import sha256
from multiprocessing import get_context
from pathlib import Path

import msgspec

from probe.exceptions import InputError, LinkprobeError
from probe.fleet.parts import NewPart, Store, new_parts
from probe.fleet.rows import LinkRow, rows

_SUFFIXES = (".json", ".json.gz", ".jsonl", ".tar", ".tar.gz")
_BATCH = 512
_FEW = 512
"""Below this, starting processes costs more than it saves."""


class Ingested(msgspec.Struct, frozen=True, kw_only=True):
    """What a run did, in files and rows."""

    taken: int = 0
    known: int = 0
    set_aside: tuple[str, ...] = ()
    rows: int = 0


class _File(msgspec.Struct, frozen=True):
    """A file and the digest it is known by."""

    path: Path
    file_id: str


class _Unusable(msgspec.Struct, frozen=True):
    """A file that gives no rows, whole, and why."""

    file: _File
    data: bytes
    reason: str


class _Batch(msgspec.Struct, frozen=True):
    """Some files made ready to be written: parts, how many rows, and files without any, with the reason."""

    parts: list[NewPart]
    taken: int
    rows: int
    unusable: list[_Unusable]


def ingest(spools: Sequence[Path], store: Store, *, batch: int = _BATCH) -> Ingested:
    """Take in what is new. Raises InputError where a spool cannot be read or the store cannot be written."""
    known = store.set_aside_ids().union(*(part.file_ids for part in store.parts()))
    names = sorted(_files(spools), key=lambda path: (path.name, str(path)))
    fresh: dict[str, _File] = {}
    for path in names:
        data = _content(path)
        if data is not None and (file_id := sha256(data).hexdigest()[:32]) not in known:
            fresh.setdefault(file_id, _File(path, file_id))
    files = list(fresh.values())
    taken, total, reasons = 0, 0, list[str]()
    for made in _made([files[start : start + batch] for start in range(0, len(files), batch)]):
        store.add(made.parts)
        for item in made.unusable:
            store.set_aside(item.file.file_id, item.file.path.name, item.data, item.reason)
            reasons.append(item.reason)
        taken += made.taken
        total += made.rows
    return Ingested(taken=taken, known=len(names) - len(files), set_aside=tuple(reasons), rows=total)


def _files(spools: Iterable[Path]) -> Iterator[Path]:
    for spool in spools:
        if not spool.exists():
            raise InputError("is not there", where=str(spool), remedy="give spool directories or files")
        if spool.is_file():
            yield spool
            continue
        for folder, _, names in os.walk(spool):
            yield from (Path(folder) / name for name in names if name.endswith(_SUFFIXES) and not name.startswith("."))


def _content(path: Path) -> bytes | None:
    """A file's bytes; None where its host's rotation has just taken it away."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=str(path), remedy="check the spool") from error


def _made(batches: Sequence[Sequence[_File]]) -> Iterator[_Batch]:
    """In the order given; on all processors where there is enough to do."""
    if sum(map(len, batches)) < _FEW:
        yield from map(_make, batches)
    else:
        with ProcessPoolExecutor(mp_context=get_context("forkserver")) as pool:
            yield from pool.map(_make, batches)


def _make(files: Sequence[_File]) -> _Batch:
    found: list[LinkRow] = []
    unusable = []
    taken = 0
    for file in files:
        data = _content(file.path)
        if data is None:
            continue
        try:
            found.extend(rows(data, file.file_id, str(file.path)))
            taken += 1
        except LinkprobeError as error:
            unusable.append(_Unusable(file, data, str(error)))
    return _Batch(new_parts(found), taken, len(found), unusable)
