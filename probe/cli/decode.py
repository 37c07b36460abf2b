"""linkprobe decode."""

from typing import Annotated

import typer

from probe.audit.decoding import decoded_spaces
from probe.cli.options import JsonOption
from probe.cli.showing import show
from probe.documents.dump import DUMP_BYTES, configs_from_dump
from probe.documents.files import STANDARD_STREAM, read_bytes


def decode(
    file: Annotated[
        str, typer.Argument(metavar="[FILE]", help="A dump of one function or several; - is standard input.")
    ] = "-",
    json: JsonOption = False,
) -> None:
    """Decode a config space: raw bytes, or any text of offsets and hexadecimal bytes."""
    name = "standard input" if file == STANDARD_STREAM else file
    dumps = configs_from_dump(read_bytes(file, DUMP_BYTES), name)
    show(decoded_spaces([(dump.heading, dump.space) for dump in dumps], name), json=json)
