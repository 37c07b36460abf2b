"""linkprobe schema."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from probe.exceptions import InputError

if TYPE_CHECKING:
    from msgspec import Struct


def _documents() -> "dict[str, type[Struct]]":
    """Every document by its schema name, which is its first default; and the rows of the fleet store."""
    from probe.audit.document import AuditDocument
    from probe.audit.explanation import Explanation
    from probe.audit.snapshot import Snapshot
    from probe.bandwidth.arithmetic import Arithmetic
    from probe.compare.changes import Comparison
    from probe.compare.expectations import Expectations
    from probe.compare.sequence import History
    from probe.errors.ratio import Ratio
    from probe.fleet.rows import SCHEMA, LinkRow
    from probe.soak.record import Record

    kinds = (AuditDocument, Snapshot, Explanation, Comparison, History, Expectations, Record, Arithmetic, Ratio)
    return {kind.__struct_defaults__[0]: kind for kind in kinds} | {SCHEMA: LinkRow}


def schema(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="A document's schema name.")] = None,
) -> None:
    """Print the JSON Schema of a document, or the names of all documents."""
    import msgspec

    documents = _documents()
    if name is None:
        typer.echo("\n".join(documents))
        return
    if name not in documents:
        raise InputError("no such document", where=name, remedy=f"choose among {', '.join(documents)}")
    text = msgspec.json.encode(msgspec.json.schema(documents[name]))
    sys.stdout.buffer.write(msgspec.json.format(text) + b"\n")
