"""The parts of a store: Parquet files below links/date=DATE/, each naming the files it was made of in its footer.

The footers are the ledger: what a part names is in, nothing else is. A part appears whole under a name made from what
it holds: a writer that is killed leaves no part, and two that work on the same files write the same one.
"""

import json
from collections.abc import Iterable, Iterator, Sequence
from hashlib import sha256
from typing import Any, get_args
from uuid import uuid4

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
from fsspec.core import url_to_fs

from probe.exceptions import DocumentError, InputError
from probe.fleet.rows import LinkRow
from probe.schemas import Schema

_FILES, _SCHEMA = b"linkprobe.files", b"linkprobe.schema"


def arrow_schema() -> pa.Schema:
    """The fields of a row for Parquet."""
    arrow = {str: pa.string(), int: pa.int64(), float: pa.float64(), bool: pa.bool_()}
    fields = msgspec.structs.fields(LinkRow)
    return pa.schema([(item.name, arrow[(get_args(item.type) or (item.type,))[0]]) for item in fields])


class Part(msgspec.Struct, frozen=True):
    """One Parquet file and the ids of the files it was made of."""

    path: str
    file_ids: frozenset[str]


class NewPart(msgspec.Struct, frozen=True):
    """One part to be written: the whole of some files of one date, as Parquet."""

    date: str
    file_ids: tuple[str, ...]
    data: bytes


class Readable(msgspec.Struct, frozen=True):
    """Parts to read, each with the file ids to leave out because another part holds them."""

    parts: tuple[tuple[str, frozenset[str]], ...]

    @property
    def whole(self) -> list[str]:
        """Parts to be read as they are."""
        return [path for path, excluded in self.parts if not excluded]

    @property
    def partial(self) -> list[tuple[str, list[str]]]:
        """Parts that two writers filled with some of the same files."""
        return [(path, sorted(excluded)) for path, excluded in self.parts if excluded]


def readable(parts: Iterable[Part]) -> Readable:
    """Each file id once: a part that holds nothing new is left out, one that holds some is read without the rest."""
    seen: set[str] = set()
    found = []
    for part in sorted(parts, key=lambda item: (-len(item.file_ids), item.path)):
        if not part.file_ids <= seen:
            found.append((part.path, part.file_ids & seen))
            seen |= part.file_ids
    return Readable(tuple(sorted(found, key=lambda item: item[0])))


class Store:
    """A store on a local path or at any URL that fsspec knows."""

    def __init__(self, url: str) -> None:
        """Raises InputError for a URL of no known kind."""
        try:
            self.filesystem, self.root = url_to_fs(url)
        except (ValueError, ImportError) as error:
            raise InputError(f"is no place for a store ({error})", where=url, remedy="give a path or a URL") from error
        self.url = url

    def parts(self) -> list[Part]:
        """Every part. Raises DocumentError for one that is damaged or of a newer schema."""
        return [self._part(str(path)) for path in sorted(self.filesystem.glob(f"{self.root}/links/date=*/*.parquet"))]

    def set_aside_ids(self) -> set[str]:
        """The ids of the files that were set aside."""
        names = self.filesystem.glob(f"{self.root}/aside/*.reason")
        return {str(name).rsplit("/", 1)[-1].partition("-")[0] for name in names}

    def add(self, parts: Iterable[NewPart]) -> None:
        """Write parts. Raises InputError where that fails; what was written before stays."""
        for part in parts:
            name = sha256(" ".join(part.file_ids).encode()).hexdigest()[:32]
            self._replace(f"{self.root}/links/date={part.date}/{name}.parquet", part.data)

    def set_aside(self, file_id: str, name: str, data: bytes, reason: str) -> None:
        """Keep a file that cannot be used, with the reason; the reason is written last."""
        stem = f"{self.root}/aside/{file_id}-{name.rsplit('/', 1)[-1]}"
        self._replace(stem, data)
        self._replace(f"{stem}.reason", f"{reason}\n".encode())

    def _part(self, path: str) -> Part:
        try:
            with self.filesystem.open(path, "rb") as file:
                found = pq.read_metadata(file).metadata or {}
        except pa.ArrowInvalid as error:
            remedy = "move it away and ingest the spools again"
            raise DocumentError(f"is a damaged part ({error})", where=path, remedy=remedy) from error
        if found.get(_SCHEMA) != Schema.STORE.encode():
            what = f"is a part of schema {found.get(_SCHEMA, b'unknown').decode()}, not {Schema.STORE}"
            raise DocumentError(what, where=path, remedy="read the store with the linkprobe that wrote it")
        return Part(path, frozenset(json.loads(found[_FILES])))

    def _replace(self, path: str, data: bytes) -> None:
        """The file is under its name whole or not at all, also where two write the same."""
        folder, _, name = path.rpartition("/")
        coming = f"{folder}/.{name}.{uuid4().hex}.coming"
        try:
            self.filesystem.makedirs(folder, exist_ok=True)
            self.filesystem.pipe_file(coming, data)
            self.filesystem.mv(coming, path)
        except OSError as error:
            what = f"cannot be written ({error.strerror or error})"
            raise InputError(what, where=path, remedy="make room or name another store, then ingest again") from error


def new_parts(rows: Iterable[LinkRow]) -> list[NewPart]:
    """The rows of whole files as parts, one a date."""
    dates: dict[str, list[LinkRow]] = {}
    for row in rows:
        dates.setdefault(row.date, []).append(row)
    return [_new_part(date, members) for date, members in sorted(dates.items())]


def _new_part(date: str, rows: Sequence[LinkRow]) -> NewPart:
    ids = sorted({row.file_id for row in rows})
    schema = arrow_schema().with_metadata({_SCHEMA: Schema.STORE, _FILES: json.dumps(ids)})
    table = pa.table(dict(zip(schema.names, _columns(rows, schema.names), strict=True)), schema=schema)
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    return NewPart(date, tuple(ids), bytes(sink.getvalue()))


def _columns(rows: Sequence[LinkRow], names: Sequence[str]) -> Iterator[list[Any]]:
    for name in names:
        yield [getattr(row, name) for row in rows]
