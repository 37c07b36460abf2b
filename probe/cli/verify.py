"""linkprobe verify."""

from typing import Annotated

import typer

from probe.cli.options import JsonOption
from probe.cli.showing import show
from probe.documents.files import read_bytes, uncompressed
from probe.qualify.sealing import verify as verified

_REMEDY = "give a record of linkprobe qualify"


def verify(
    record: Annotated[str, typer.Argument(metavar="RECORD", help="A record of qualify; - is standard input.")],
    json: JsonOption = False,
) -> None:
    """Say whether a record is whole, and whether its judgement follows from its journal.

    Exit status: 0 it is and does, 1 not, 64 it is no record.
    """
    found = verified(uncompressed(read_bytes(record), record, _REMEDY), record)
    show(found, status=found.status, json=json)
