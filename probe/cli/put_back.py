"""linkprobe put-back."""

import sys
from typing import Annotated

import typer

from probe.cli.options import JsonOption
from probe.exit_status import ExitStatus


def put_back(
    forget: Annotated[bool, typer.Option("--forget", help="Drop what cannot be put back, after telling it.")] = False,
    json: JsonOption = False,
) -> None:
    """Put back what an active test that was killed left behind.

    Exit status: 0 all is as it was, 2 something is not, 64 a journal is damaged.
    """
    from probe.active.healing import directories, heal

    document = heal(directories(), forget=forget)
    if json:
        from probe.documents.files import encode

        sys.stdout.buffer.write(encode(document))
    else:
        from probe.render.terminal import active
        from probe.render.terminal.console import console

        active.put_back(document, console())
    if document.leftovers:
        raise typer.Exit(ExitStatus.URGENT)
