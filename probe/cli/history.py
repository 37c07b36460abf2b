"""linkprobe history."""

from typing import Annotated

import typer

from probe.cli.options import DifferentMachinesOption, JsonOption, RedactOption, cleaner
from probe.cli.showing import show
from probe.compare.history import history as over_boots
from probe.compare.host import one_machine
from probe.documents.files import read_snapshot


def history(
    snapshots: Annotated[list[str], typer.Argument(metavar="SNAPSHOT...", help="Snapshots of one machine.")],
    json: JsonOption = False,
    different_machines: DifferentMachinesOption = False,
    redact: RedactOption = False,
) -> None:
    """Show how each link trained over boots: speed, width, errors, and how often it came up short."""
    clean = cleaner(redact=redact)
    read = [clean(read_snapshot(name)) for name in snapshots]
    if not different_machines:
        one_machine([item.evidence.host for item in read], snapshots)
    show(over_boots(read), json=json)
