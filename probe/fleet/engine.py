"""Where questions run: DuckDB in this process, or Apache Spark. Both are handed the same Ibis expressions."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import ibis

from probe.exceptions import DocumentError, InputError
from probe.fleet.parts import Readable, Store, arrow_schema, readable

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

Reader = Callable[[list[str]], ibis.Table]
DEFAULT = "duckdb"


@contextmanager
def opened(store: Store, engine: str = DEFAULT) -> Iterator[ibis.Table]:
    """All rows of a store, each once, as an expression. `engine`: duckdb, spark (local), or spark://HOST:PORT.

    Raises DocumentError for an empty store, InputError for an unknown engine.
    """
    found = readable(store.parts())
    if not found.parts:
        raise DocumentError(
            "holds nothing", where=store.url, remedy="fill it with: linkprobe fleet ingest SPOOL --store"
        )
    if engine == DEFAULT:
        yield _rows(found, _duckdb(store))
    elif engine == "spark" or engine.startswith("spark://"):
        session = _session(engine)
        try:
            yield _rows(found, _spark(session, store))
        finally:
            session.stop()
    else:
        raise InputError("is no engine", where=engine, remedy="give duckdb, spark or spark://HOST:PORT")


def _rows(found: Readable, read: Reader) -> ibis.Table:
    tables = [read(found.whole)] if found.whole else []
    for path, excluded in found.partial:
        table = read([path])
        tables.append(table.filter(~table.file_id.isin(excluded)))
    first, *others = map(_completed, tables)
    return first.union(*others) if others else first


def _completed(table: ibis.Table) -> ibis.Table:
    """The columns of the schema in order; those that older parts do not have are null."""
    schema = ibis.schema(arrow_schema())
    columns = {
        name: table[name].cast(kind) if name in table.columns else ibis.null().cast(kind)
        for name, kind in schema.items()
    }
    return table.select(**columns)


def _duckdb(store: Store) -> Reader:
    connection = ibis.duckdb.connect()
    protocol = store.filesystem.protocol
    names = (protocol,) if isinstance(protocol, str) else protocol
    if "file" in names:
        return lambda paths: connection.read_parquet(paths, union_by_name=True, hive_partitioning=False)
    connection.register_filesystem(store.filesystem)
    return lambda paths: connection.read_parquet(
        [f"{names[0]}://{path.lstrip('/')}" for path in paths], union_by_name=True, hive_partitioning=False
    )


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


def _spark(session: "SparkSession", store: Store) -> Reader:
    connection = ibis.pyspark.connect(session)
    numbers = iter(range(1_000_000))

    def read(paths: list[str]) -> ibis.Table:
        named = [store.filesystem.unstrip_protocol(path) for path in paths]
        name = f"part_{next(numbers)}"
        session.read.option("mergeSchema", "true").parquet(*named).createOrReplaceTempView(name)
        return connection.table(name)

    return read
