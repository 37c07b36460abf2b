"""One bucket of hosts in hand: its chronicles read, some replaced, and its parts written anew. Commits nothing."""

from collections.abc import Mapping, Sequence

import msgspec
import pyarrow as pa
import pyarrow.compute as pc

from probe.exceptions import DocumentError
from probe.fleet.chronicle import Chronicle, from_bytes, to_bytes
from probe.fleet.columns import arrow_schema, arrow_table
from probe.fleet.parts import Part, bits
from probe.fleet.rows import OF_HOSTS, QUIET, ChronicleRow, Row
from probe.fleet.table import Store
from probe.fleet.telling import rows_of


class Written(msgspec.Struct, frozen=True):
    """Parts to name, parts no longer to name, and those among the latter that are damaged."""

    adds: tuple[Part, ...] = ()
    removes: tuple[Part, ...] = ()
    damaged: tuple[Part, ...] = ()


class Bucket:
    """The hosts whose digits begin with `name`, out of parts that may hold others too.

    A damaged part is left out and told of; what it held is made anew from the chronicles where these are whole.
    """

    def __init__(self, store: Store, name: str, parts: Mapping[str, Sequence[Part]]) -> None:
        self.name = name
        self._store, self._parts = store, parts
        self._damaged: list[Part] = []
        self._made: dict[str, list[Row]] = {kind: [] for kind in OF_HOSTS}
        self._stirred: set[str] = set()
        self._quiet: set[str] = set()
        self._gone: set[str] = set()
        held = self._read("chronicles")
        self._held: dict[str, bytes] = dict(zip(held["host"].to_pylist(), held["chronicle"].to_pylist(), strict=True))

    @property
    def hosts(self) -> list[str]:
        """The keys of its hosts."""
        return sorted(self._held)

    def chronicle(self, host: str) -> Chronicle:
        """A host's chronicle, a new one for a host that is not here yet, or whose own is damaged."""
        data = self._held.get(host)
        try:
            return Chronicle(host) if data is None else from_bytes(data)
        except DocumentError:
            self._lose(host)
            return Chronicle(host)

    def _lose(self, host: str) -> None:
        """Let go of a host whose chronicle is damaged; that of the others in its part is whole."""
        del self._held[host]
        self._gone.add(host)
        self._damaged += (part for part in self._parts.get("chronicles", ()) if part not in self._damaged)

    def replace(self, chronicle: Chronicle, *, quiet: bool) -> None:
        """Put a chronicle in the place of what is held of its host. `quiet`: nothing new was seen, but later."""
        (self._quiet if quiet else self._stirred).add(chronicle.host)
        self._held[chronicle.host] = to_bytes(chronicle)
        for kind, rows in rows_of(chronicle, quiet=quiet).items():
            self._made[kind] += rows

    def remove(self, host: str) -> None:
        """Leave nothing of a host."""
        self._held.pop(host, None)
        self._gone.add(host)

    def written(self, *, whole: bool = False) -> Written:
        """Write its parts anew: all of them, or those in which something changed."""
        everything = whole or bool(self._stirred or self._gone)
        kinds = [kind for kind in OF_HOSTS if kind != "chronicles" and (everything or kind in QUIET)]
        tables = {kind: self._read(kind) for kind in kinds}
        if self._damaged:
            tables |= {kind: self._read(kind) for kind in OF_HOSTS if kind != "chronicles" and kind not in tables}
            self._make_anew()
        adds = [self._write(kind, self._replaced(kind, table)) for kind, table in tables.items()]
        rows = [ChronicleRow(host=host, chronicle=data) for host, data in sorted(self._held.items())]
        adds.append(self._write("chronicles", arrow_table("chronicles", rows)))
        removes = [part for kind in (*tables, "chronicles") for part in self._parts.get(kind, ())]
        return Written(tuple(filter(None, adds)), tuple(removes), tuple(self._damaged))

    def _read(self, kind: str) -> pa.Table:
        tables = [arrow_schema(kind).empty_table()]
        for part in self._parts.get(kind, ()):
            try:
                table = self._store.read(part)
            except DocumentError:
                self._damaged.append(part)
                continue
            if part.bucket != self.name:
                mine = [bits(host).startswith(self.name) for host in table["host"].to_pylist()]
                table = table.filter(pa.array(mine, pa.bool_()))
            tables.append(table)
        return pa.concat_tables(tables)

    def _make_anew(self) -> None:
        for host in self._held.keys() - self._stirred:
            self._quiet.discard(host)
            self._made = {kind: [row for row in rows if row.host != host] for kind, rows in self._made.items()}  # type: ignore[union-attr] # rows of hosts
            chronicle = self.chronicle(host)
            if host in self._held:
                self.replace(chronicle, quiet=False)

    def _replaced(self, kind: str, table: pa.Table) -> pa.Table:
        """A table with the rows of some hosts made anew."""
        hosts = self._stirred | self._gone | (self._quiet if kind in QUIET else set())
        kept = table.filter(pc.invert(pc.is_in(table["host"], pa.array(sorted(hosts), pa.string()))))
        return pa.concat_tables([kept, arrow_table(kind, self._made[kind])]).sort_by("host")

    def _write(self, kind: str, table: pa.Table) -> Part | None:
        return self._store.write(kind, self.name, table) if len(table) else None
