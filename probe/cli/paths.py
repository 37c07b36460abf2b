"""linkprobe paths."""

from typing import Annotated

import typer

from probe.cli.options import JsonOption, SnapshotArgument, SysfsOption, WakeOption, evidence_from, places
from probe.cli.showing import show
from probe.paths.paths import paths as ways


def paths(
    snapshot: SnapshotArgument = None,
    between: Annotated[
        list[str] | None,
        typer.Option(metavar="WHICH", help="Only pairs of these: address, slot or kind; again.", autocompletion=places),
    ] = None,
    sysfs: SysfsOption = None,
    json: JsonOption = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print a row a pair as CSV.")] = False,
    wake: WakeOption = False,
) -> None:
    """Show the ways between accelerators, network adapters and drives: where they turn, what they can carry."""
    show(ways(evidence_from(sysfs, snapshot, wake=wake), tuple(between or ())), json=json, csv=csv)
