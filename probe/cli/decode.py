"""linkprobe decode."""

import sys
from typing import Annotated

import typer

from probe.cli.options import JsonOption


def decode(
    file: Annotated[str, typer.Argument(metavar="[FILE]", help="A dump of one function; - is standard input.")] = "-",
    json: JsonOption = False,
) -> None:
    """Decode a config space: raw bytes, or any text of offsets and hexadecimal bytes."""
    from probe.audit.explanation import decoded_space
    from probe.documents.dump import config_from_dump
    from probe.documents.files import encode, read_bytes

    name = "standard input" if file == "-" else file
    document = decoded_space(config_from_dump(read_bytes(file), name), name)
    if json:
        sys.stdout.buffer.write(encode(document))
        return
    from probe.render.terminal.console import console
    from probe.render.terminal.explanation import decoded

    decoded(document, console())
