"""Rows as columns of Arrow tables, which the store keeps and engines read."""

from collections.abc import Sequence
from typing import get_args

import msgspec
import pyarrow as pa

from probe.fleet.rows import KINDS, Row

_ARROW = {str: pa.string(), int: pa.int64(), float: pa.float64(), bool: pa.bool_(), bytes: pa.binary()}


def arrow_schema(kind: str) -> pa.Schema:
    """The columns of a kind of rows."""
    fields = msgspec.structs.fields(KINDS[kind])
    return pa.schema([(item.name, _ARROW[(get_args(item.type) or (item.type,))[0]]) for item in fields])


def whole_schema() -> pa.Schema:
    """The columns of all kinds, and the two by which parts are told apart: what the table as a whole states."""
    columns = {"kind_of_row": pa.string(), "bucket": pa.string()}
    for kind in KINDS:
        columns |= {field.name: field.type for field in arrow_schema(kind)}
    return pa.schema(list(columns.items()))


def arrow_table(kind: str, rows: Sequence[Row]) -> pa.Table:
    """Rows of one kind as a table."""
    schema = arrow_schema(kind)
    columns = [[getattr(row, name) for row in rows] for name in schema.names]
    return pa.table(dict(zip(schema.names, columns, strict=True)), schema=schema)
