"""linkprobe schema."""

import sys
from pkgutil import resolve_name
from typing import Annotated

import msgspec
import typer

from probe.exceptions import InputError
from probe.schemas import TYPES


def schema(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="A document's schema name.")] = None,
) -> None:
    """Print the JSON Schema of a document, or the names of all documents."""
    known = {found.value: kind for found, kind in TYPES.items()}
    if name is None:
        typer.echo("\n".join(known))
        return
    if name not in known:
        raise InputError("no such document", where=name, remedy=f"choose among {', '.join(known)}")
    text = msgspec.json.encode(msgspec.json.schema(resolve_name(known[name])))
    sys.stdout.buffer.write(msgspec.json.format(text) + b"\n")
