"""linkprobe put-back."""

from typing import Annotated

import typer

from probe.active.healing import directories, heal
from probe.cli.options import JsonOption
from probe.cli.showing import show
from probe.exit_status import ExitStatus


def put_back(
    forget: Annotated[bool, typer.Option("--forget", help="Drop what cannot be put back, after telling it.")] = False,
    json: JsonOption = False,
) -> None:
    """Put back what an active test that was killed left behind.

    Exit status: 0 all is as it was, 2 something is not, 64 a journal is damaged.
    """
    document = heal(directories(), forget=forget)
    show(document, status=ExitStatus.URGENT if document.leftovers else ExitStatus.CLEAN, json=json)
