"""Where questions run: DuckDB in this process, or Apache Spark. Both are handed the same Ibis expressions.

Both read the Parquet files that the table's log lists. From an object store DuckDB reads them through pyarrow, without
an extension of its own; Spark by its own client where it has one, else from copies that are taken away afterwards.
"""

import re
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import ibis
import msgspec
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq

from probe.exceptions import DocumentError, InputError
from probe.fleet.columns import arrow_schema
from probe.fleet.parts import Part
from probe.fleet.rows import OF_HOSTS
from probe.fleet.table import REBUILD, Store

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

DEFAULT = "duckdb"
_MEMORY_LIMIT = "1500MB"
_Reader = Callable[[str, Sequence[Part]], ibis.Table]


class Tables(msgspec.Struct, frozen=True):
    """The rows of a store by kind, as expressions."""

    hosts: Any
    beats: Any
    links: Any
    occupants: Any
    rises: Any
    results: Any


@contextmanager
def opened(store: Store, engine: str = DEFAULT, *, without: frozenset[str] = frozenset()) -> Iterator[Tables]:
    """A store's rows, less those of the parts named in `without`. `engine`: duckdb, spark (local), or spark://HOST:PORT.

    Raises DocumentError for an empty store, InputError for an unknown engine.
    """
    version = store.version()
    if version is None or not version.parts:
        raise DocumentError(
            "holds nothing", where=store.url, remedy="fill it with: linkprobe fleet ingest SPOOL --store"
        )
    with ExitStack() as stack:
        if engine == DEFAULT:
            read = _duckdb(store, stack)
        elif engine == "spark" or engine.startswith("spark://"):
            read = _spark(store, engine, stack)
        else:
            raise InputError("is no engine", where=engine, remedy="give duckdb, spark or spark://HOST:PORT")
        parts = [part for part in version.parts if part.path not in without]
        yield Tables(
            **{name: read(name, [part for part in parts if part.kind == name]) for name in Tables.__struct_fields__}
        )


def damaged_parts(store: Store) -> list[str]:
    """The parts that cannot be read whole, by name: looked for only where a question failed."""
    version = store.version()
    found = []
    for part in version.parts if version else ():
        if part.kind in Tables.__struct_fields__:
            try:
                store.read(part)
            except DocumentError:
                found.append(part.path)
    return found


def said(part: str) -> str:
    """A damaged part in a sentence."""
    return f"{part}: is a damaged part and was left out; {REBUILD}"


def _completed(table: ibis.Table, kind: str) -> ibis.Table:
    """The columns of a kind in order; those that older parts do not have are null."""
    schema = ibis.schema(arrow_schema(kind))
    columns = {
        name: table[name].cast(of) if name in table.columns else ibis.null().cast(of) for name, of in schema.items()
    }
    return table.select(**columns)


def _duckdb(store: Store, stack: ExitStack) -> _Reader:
    connection = ibis.duckdb.connect()
    stack.callback(connection.disconnect)
    spill = stack.enter_context(tempfile.TemporaryDirectory(prefix="linkprobe-"))
    connection.raw_sql(f"SET memory_limit = '{_MEMORY_LIMIT}'")
    connection.raw_sql(f"SET temp_directory = '{spill}'")
    connection.raw_sql("SET preserve_insertion_order = false")
    connection.raw_sql("SET enable_progress_bar = false")

    def read(kind: str, parts: Sequence[Part]) -> ibis.Table:
        if store.is_local and parts:
            paths = [store.whole_path(part) for part in parts]
            found = connection.read_parquet(paths, table_name=kind, union_by_name=True, hive_partitioning=False)
            return _completed(found, kind)
        connection.con.register(kind, _dataset(store, kind, parts))
        return connection.table(kind)

    return read


def _dataset(store: Store, kind: str, parts: Sequence[Part]) -> ds.Dataset | pa.Table:
    schema = arrow_schema(kind)
    if not parts:
        return schema.empty_table()
    paths = [store.whole_path(part) for part in parts]
    return ds.dataset(paths, schema=schema, filesystem=store.filesystem, format="parquet")


def _session(engine: str) -> "SparkSession":
    try:
        from pyspark.sql import SparkSession as Session  # noqa: PLC0415 - for those who outgrow one machine
    except ImportError as error:
        raise InputError("needs pyspark", where=engine, remedy="install linkprobe[spark]") from error
    master = "local[*]" if engine == "spark" else engine
    settings: dict[str, bool | float | int | str | None] = {
        "spark.sql.session.timeZone": "UTC",
        "spark.sql.shuffle.partitions": "8",
        "spark.sql.sources.partitionColumnTypeInference.enabled": "false",
        "spark.ui.enabled": "false",
        "spark.ui.showConsoleProgress": "false",
        "spark.log.level": "ERROR",
    }
    return Session.builder.master(master).appName("linkprobe").config(map=settings).getOrCreate()


def _spark(store: Store, engine: str, stack: ExitStack) -> _Reader:
    session = _session(engine)
    stack.callback(session.stop)
    connection = ibis.pyspark.connect(session)
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="linkprobe-")))

    def read(kind: str, parts: Sequence[Part]) -> ibis.Table:
        paths = _paths_for_spark(store, session, folder, parts)
        if not paths:
            paths = [str(folder / f"empty-{kind}.parquet")]
            pq.write_table(arrow_schema(kind).empty_table(), paths[0])
        session.read.option("mergeSchema", "true").parquet(*paths).createOrReplaceTempView(kind)
        return _completed(connection.table(kind), kind)

    return read


def _paths_for_spark(store: Store, session: "SparkSession", folder: Path, parts: Sequence[Part]) -> list[str]:
    if store.is_local:
        return [f"file://{store.whole_path(part)}" for part in parts]
    scheme = store.url.partition("://")[0].replace("s3", "s3a")
    if _can_read(session, scheme):
        return [f"{scheme}://{store.whole_path(part)}" for part in parts]
    found = []
    for part in parts:
        copy = folder / re.sub(r"\W", "-", part.path.removesuffix(".parquet"))
        copy = copy.with_suffix(".parquet")
        with store.filesystem.open_input_stream(store.whole_path(part)) as source:
            copy.write_bytes(source.read())
        found.append(f"file://{copy}")
    return found


def _can_read(session: "SparkSession", scheme: str) -> bool:
    """Whether Spark has a client of its own for this kind of store."""
    gateway: Any = session.sparkContext
    configured = gateway._jsc.hadoopConfiguration().get(f"fs.{scheme}.impl")  # noqa: SLF001 - the only way to ask
    name = configured or {"s3a": "org.apache.hadoop.fs.s3a.S3AFileSystem"}.get(scheme)
    if name is None:
        return False
    try:
        gateway._jvm.java.lang.Class.forName(name)  # noqa: SLF001 - the only way to ask
    except Exception:  # noqa: BLE001 - whatever Java throws: it is not there
        return False
    return True


__all__ = ["DEFAULT", "OF_HOSTS", "Tables", "damaged_parts", "opened", "said"]
