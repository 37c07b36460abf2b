"""linkprobe history."""

from typing import Annotated

import typer

from probe.cli.options import JsonOption
from probe.cli.showing import show
from probe.compare.history import history as over_boots
from probe.documents.files import read_snapshot


def history(
    snapshots: Annotated[list[str], typer.Argument(metavar="SNAPSHOT...", help="Snapshots of one machine.")],
    json: JsonOption = False,
) -> None:
    """Show how each link trained over boots: speed, width, errors, and how often it came up short."""
    show(over_boots([read_snapshot(name) for name in snapshots]), json=json)
