"""linkprobe schema."""

import sys
from typing import Annotated

import typer

from probe.errors import InputError


def schema(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="A document's schema name.")] = None,
) -> None:
    """Print the JSON Schema of a document, or the names of all documents."""
    from probe.snapshot.document import DOCUMENTS

    if name is None:
        typer.echo("\n".join(DOCUMENTS))
        return
    if name not in DOCUMENTS:
        raise InputError("no such document", where=name, remedy=f"choose among {', '.join(DOCUMENTS)}")
    import msgspec

    text = msgspec.json.encode(msgspec.json.schema(DOCUMENTS[name]))
    sys.stdout.buffer.write(msgspec.json.format(text) + b"\n")
