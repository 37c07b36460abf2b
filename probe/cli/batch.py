"""linkprobe batch."""

from typing import Annotated

import typer

from probe.batch.comparing import batch as held_against_each_other
from probe.batch.machines import By
from probe.batch.outcome import exit_status
from probe.batch.reading import contribution_of
from probe.cli.options import JsonOption
from probe.cli.showing import show
from probe.documents.files import read_bytes


def batch(
    files: Annotated[
        list[str],
        typer.Argument(metavar="FILE...", help="Snapshots, soak records, results of train, speeds and margin."),
    ],
    by: Annotated[By, typer.Option(help="What files of one machine have in common.")] = By.HOST,
    different_models: Annotated[
        bool, typer.Option("--different-models", help="Take machines of different models too.")
    ] = False,
    json: JsonOption = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print a row a reading as CSV.")] = False,
) -> None:
    """Hold machines of one model against each other: which cell is odd, and why."""
    parts = [contribution_of(read_bytes(name), name) for name in files]
    document = held_against_each_other(parts, by, any_model=different_models)
    show(document, status=exit_status(document), json=json, csv=csv)
