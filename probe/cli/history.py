"""linkprobe history."""

import sys
from typing import Annotated

import typer

from probe.cli.options import JsonOption


def history(
    snapshots: Annotated[list[str], typer.Argument(metavar="SNAPSHOT...", help="Snapshots of one machine.")],
    json: JsonOption = False,
) -> None:
    """Show how each link trained over boots: speed, width, errors, and how often it came up short."""
    from probe.compare.sequence import history as over_boots
    from probe.documents.files import encode, read_snapshot

    document = over_boots([read_snapshot(name) for name in snapshots])
    if json:
        sys.stdout.buffer.write(encode(document))
        return
    from probe.render.terminal.comparison import history as draw
    from probe.render.terminal.console import console

    draw(document, console())
