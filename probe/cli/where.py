"""linkprobe where."""

import time
from typing import Annotated

import typer

from probe.cli.options import JsonOption
from probe.cli.showing import show
from probe.documents.files import read_bytes
from probe.exit_status import ExitStatus
from probe.fleet.saved import rows_of_files
from probe.fleet.whereabouts import of_component, whereabouts


def where(
    serial: Annotated[str, typer.Argument(metavar="SERIAL", help="A component's Device Serial Number.")],
    files: Annotated[
        list[str], typer.Argument(metavar="FILE...", help="Snapshots, soak records, results of tests; of any host.")
    ],
    json: JsonOption = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print a row a place as CSV.")] = False,
) -> None:
    """Show in which host and slot a component was, from when to when, and how it ran there."""
    rows, machines = rows_of_files(((name, read_bytes(name)) for name in files), int(time.time()))
    document = whereabouts(serial, of_component(rows, serial), machines)
    status = ExitStatus.CLEAN if document.stays else ExitStatus.NOTHING_JUDGED
    show(document, status=status, json=json, csv=csv)
