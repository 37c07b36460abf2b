"""The store on disk: a Delta Lake table on a path or an object store, whose log says which parts are in it.

A part is a Parquet file of rows of one kind, of the hosts of one bucket. A bucket is a prefix of the binary digits of
the digest of a host's key; it is split in two when it grows too large. Parts are on the disk before the log names them.
"""

import contextlib
import errno
import json
import re
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import unquote
from uuid import uuid4

import pyarrow as pa
import pyarrow.parquet as pq
from deltalake import CommitProperties, DeltaTable, PostCommitHookProperties, Transaction
from deltalake import Schema as DeltaSchema
from deltalake.exceptions import CommitFailedError, DeltaError, TableNotFoundError
from deltalake.transaction import AddAction, RemoveAction
from pyarrow import fs

from probe.exceptions import DocumentError, InputError
from probe.fleet.columns import arrow_schema, whole_schema
from probe.fleet.local_files import clear_unfinished, held, mend, synced, synced_folder
from probe.fleet.parts import ASIDE, Part, Version
from probe.fleet.rows import KINDS
from probe.schemas import Schema

GRACE_S = 3_600
"""How long a part that is no longer named is left for questions that are still reading it."""

_PARTITIONS = ["kind_of_row", "bucket"]
_CONFIGURATION = {
    "delta.logRetentionDuration": "interval 1 days",
    "delta.deletedFileRetentionDuration": "interval 1 days",
}
_CHECKPOINT_EVERY = 20
_PART = re.compile(rf"({'|'.join(KINDS)})/(r[01]*|{ASIDE})/[0-9a-f]{{32}}\.parquet")
"""What a part of ours is called; nothing else is ever deleted."""

_COLUMNS = ["path", "partition.kind_of_row", "partition.bucket", "size_bytes", "num_records"]


class Conflict(Exception):
    """Another writer was first; look again and do it anew."""


class Store:
    """A store at a path or a URL that pyarrow and Delta Lake both know: s3://, gs://, abfs://, file://."""

    def __init__(self, url: str) -> None:
        """Raises InputError for a URL of no known kind."""
        self.url = url
        try:
            if "://" in url:
                self.filesystem, self.root = fs.FileSystem.from_uri(url)
            else:
                self.filesystem, self.root = fs.LocalFileSystem(), str(Path(url).absolute())
        except (ValueError, pa.ArrowException, OSError) as error:
            raise InputError(f"is no place for a store ({error})", where=url, remedy="give a path or a URL") from error
        self.is_local = isinstance(self.filesystem, fs.LocalFileSystem)

    def version(self) -> Version | None:
        """What the store holds now; None where there is none yet. Raises DocumentError for one that is damaged."""
        table = self._table()
        try:
            return None if table is None else _version(table)
        except (DeltaError, OSError) as error:
            raise _unreadable(self.url, error) from error

    def _table(self) -> DeltaTable | None:
        target = self.root if self.is_local else self.url
        try:
            return _ours(DeltaTable(target), self.url)
        except TableNotFoundError:
            return None
        except (DeltaError, OSError) as error:
            with contextlib.suppress(OSError):
                if self.is_local and mend(Path(self.root)):
                    return self._table()
            remedy = "move it away and ingest the spools again" if self.is_local else "check the address and the keys"
            raise DocumentError(
                f"cannot be opened as a store ({_first_line(error)})", where=self.url, remedy=remedy
            ) from error

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Keep other writers of this machine waiting. Raises InputError where the place cannot be written to."""
        if not self.is_local:
            yield
            return
        try:
            with held(Path(self.root)):
                mend(Path(self.root))
                clear_unfinished(Path(self.root))
                yield
        except (DeltaError, OSError) as error:  # wherever in the store it was
            raise self._unwritable(self.url, error) from error

    def commit(
        self,
        base: Version | None,
        adds: Iterable[Part],
        removes: Iterable[Part],
        settings: Mapping[str, int] | None = None,
    ) -> Version:
        """Replace parts in one step, on top of `base`. Raises Conflict where another was first, or InputError.

        `settings` are numbers to keep with the store.
        """
        try:
            table = self._table() if base is not None else self._created()
            if table is None or (base is not None and table.version() != base.number):
                raise Conflict
            _evolve(table)
            actions = [_add(part) for part in adds]
            gone = [_remove(part) for part in removes]
            marks = [Transaction(name, value) for name, value in (settings or {}).items()]
            table.create_write_transaction(
                [*actions, *gone], "append", whole_schema(), _PARTITIONS,
                commit_properties=CommitProperties(max_commit_retries=0, app_transactions=marks),
                post_commithook_properties=PostCommitHookProperties(
                    create_checkpoint=False, cleanup_expired_logs=False
                ),
            )  # fmt: skip
            self._settle_log(table)
        except CommitFailedError as error:
            now = self._table()
            if now is not None and base is not None and now.version() == base.number:
                raise self._unwritable(self.url, error) from error
            raise Conflict from error
        except (DeltaError, OSError) as error:
            raise self._unwritable(self.url, error) from error
        return _version(table)

    def _created(self) -> DeltaTable:
        target = self.root if self.is_local else self.url
        try:
            return DeltaTable.create(
                target,
                whole_schema(),
                partition_by=_PARTITIONS,
                name="linkprobe",
                description=Schema.STORE,
                configuration=_CONFIGURATION,
            )
        except (DeltaError, OSError) as error:
            if "exists" in str(error):
                raise Conflict from error
            raise

    def _settle_log(self, table: DeltaTable) -> None:
        """Have the log on the disk; now and then a checkpoint, so that it stays short."""
        log = Path(self.root) / "_delta_log"
        if self.is_local:
            synced(log / f"{table.version():020d}.json")
            synced_folder(log)
        if table.version() and table.version() % _CHECKPOINT_EVERY == 0:
            table.create_checkpoint()
            if self.is_local:
                for path in log.iterdir():
                    synced(path)
                synced_folder(log)
            table.cleanup_metadata()

    def write(self, kind: str, bucket: str, rows: pa.Table) -> Part:
        """A new part, on the disk but not yet in the store. Raises InputError where it cannot be written."""
        name = f"{kind}/{bucket}/{uuid4().hex}.parquet"
        path = f"{self.root}/{name}"
        try:
            self.filesystem.create_dir(path.rpartition("/")[0], recursive=True)
            with self.filesystem.open_output_stream(path) as sink:
                pq.write_table(rows, sink, compression="zstd", compression_level=3, row_group_size=1 << 17)
            if self.is_local:
                synced(Path(path))
                for folder in (Path(path).parent, Path(path).parents[1], Path(self.root)):
                    synced_folder(folder)
            size = self.filesystem.get_file_info(path).size
        except OSError as error:
            with contextlib.suppress(OSError):
                self.filesystem.delete_file(path)
            raise self._unwritable(path, error) from error
        return Part(name, kind, bucket, size, len(rows))

    def read(self, part: Part) -> pa.Table:
        """A part's rows, with the columns that this version has.

        Raises DocumentError for one that is damaged, InputError where the disk does not give it: it may be whole.
        """
        try:
            with self.filesystem.open_input_file(f"{self.root}/{part.path}") as source:
                found = completed(pq.read_table(source), arrow_schema(part.kind))
        except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
            if isinstance(error, OSError) and error.errno not in {None, errno.ENOENT}:
                raise _unreadable(part.path, error) from error
            raise DocumentError(f"is a damaged part ({_first_line(error)})", where=part.path, remedy=REBUILD) from error
        return found

    def put_away(self, part: Part) -> None:
        """Move a damaged part's file out of the way, to damaged/ in the store."""
        with contextlib.suppress(OSError):
            self.filesystem.create_dir(f"{self.root}/damaged", recursive=True)
            self.filesystem.move(f"{self.root}/{part.path}", f"{self.root}/damaged/{part.path.replace('/', '-')}")

    def whole_path(self, part: Part) -> str:
        """Where a part is, for an engine that reads this kind of place itself."""
        return f"{self.root}/{part.path}"

    def sweep(self, grace_s: int = GRACE_S) -> int:
        """Delete parts that no version names, and those that none has named for `grace_s`. How many went.

        On an object store a part that was never named is left for an hour: another machine may be about to name it.
        """
        table = self._table()
        if table is None:
            return 0
        named = {part.path for part in _version(table).parts}
        once_named = {unquote(name) for name in _tombstones(table, 0)}
        in_grace = once_named - {unquote(name) for name in _tombstones(table, grace_s)}
        gone = 0
        for info in self.filesystem.get_file_info(fs.FileSelector(self.root, recursive=True, allow_not_found=True)):
            name = info.path.removeprefix(self.root.rstrip("/") + "/")
            if not _PART.fullmatch(name) or name in named or (grace_s and name in in_grace):
                continue
            if not self.is_local and name not in once_named and time.time() - info.mtime_ns / 1e9 < GRACE_S:
                continue
            self.filesystem.delete_file(info.path)
            gone += 1
        return gone

    def clear_damaged(self) -> None:
        """Delete the files of damaged parts that were put away."""
        with contextlib.suppress(FileNotFoundError):
            self.filesystem.delete_dir(f"{self.root}/damaged")

    def _unwritable(self, where: str, error: Exception) -> InputError:
        what = f"cannot be written ({_first_line(error)})"
        return InputError(what, where=where, remedy="make room or name another store, then do it again")


_ALWAYS = frozenset({"host", "chronicle"})
REBUILD = "its hosts are taken in anew from the spools by the next ingest"


def completed(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """The columns of `schema` in order; those that an older part does not have are null.

    Raises ArrowException where a row names no host, or has no chronicle where it should.
    """
    for name in _ALWAYS.intersection(schema.names):
        if name not in table.column_names or table[name].null_count:
            raise pa.ArrowInvalid(f"a row without {name}")
    columns = [
        table[field.name].cast(field.type) if field.name in table.column_names else pa.nulls(len(table), field.type)
        for field in schema
    ]
    return pa.table(columns, schema=schema)


def _ours(table: DeltaTable, url: str) -> DeltaTable:
    """The table, if this version can read it. Raises DocumentError."""
    schema = table.metadata().description
    if schema != Schema.STORE:
        what = f"is a table of schema {schema or 'unknown'}, not {Schema.STORE}"
        raise DocumentError(what, where=url, remedy="read it with the linkprobe that wrote it, or name another place")
    return table


def _evolve(table: DeltaTable) -> None:
    """State the columns that came with this version."""
    known = {field.name for field in table.schema().fields}
    fresh = [field for field in DeltaSchema.from_arrow(whole_schema()).fields if field.name not in known]
    if fresh:
        table.alter.add_columns(fresh)


def _version(table: DeltaTable) -> Version:
    actions: Any = pa.table(table.get_add_actions(flatten=True))
    parts = tuple(
        Part(
            unquote(row["path"]),
            row["partition.kind_of_row"],
            row["partition.bucket"],
            row["size_bytes"],
            row["num_records"] or 0,
        )
        for row in actions.select(_COLUMNS).to_pylist()
    )
    settings = {name: value for name in SETTINGS if (value := table.transaction_version(name)) is not None}
    return Version(table.version(), parts, settings)


EXPIRED = "expired before"
SETTINGS = (EXPIRED,)
"""Numbers that the store keeps as versions of its own applications: from when on it keeps anything, seconds."""


def _tombstones(table: DeltaTable, grace_s: int) -> list[str]:
    return list(table.vacuum(retention_hours=grace_s // 3600, dry_run=True, enforce_retention_duration=False))


def _add(part: Part) -> AddAction:
    values = {"kind_of_row": part.kind, "bucket": part.bucket}
    return AddAction(part.path, part.size, values, int(time.time() * 1000), True, json.dumps({"numRecords": part.rows}))  # noqa: FBT003 - theirs


def _remove(part: Part) -> RemoveAction:
    values: dict[str, str | None] = {"kind_of_row": part.kind, "bucket": part.bucket}
    return RemoveAction(part.path, True, int(time.time() * 1000), part.size, values)  # noqa: FBT003 - theirs


def _unreadable(where: str, error: Exception) -> InputError:
    what = f"cannot be read ({_first_line(error)})"
    return InputError(what, where=where, remedy="look at its disk and its rights, then do it again")


def _first_line(error: Exception) -> str:
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return text.partition("\n")[0][:200]
