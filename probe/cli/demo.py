"""linkprobe demo."""

from pathlib import Path
from typing import Annotated

import typer

from fake_sysfs.demonstration import correlator
from fake_sysfs.hardware.rehearsed import demonstration
from probe.active.documents import exit_status
from probe.audit.audit import audit
from probe.cli.audit import show_audit
from probe.cli.options import CsvOption, JsonOption
from probe.cli.showing import show
from probe.exceptions import InputError
from probe.foreign_text import plain
from probe.host.machine import read_machine


def demo(
    json: JsonOption = False,
    csv: CsvOption = False,
    margin: Annotated[
        bool, typer.Option("--margin", help="Measure the eyes of a modelled link instead: lane margining to look at.")
    ] = False,
    write: Annotated[
        Path | None, typer.Option("--write", metavar="DIR", help="Write the machine's /sys tree there instead.")
    ] = None,
) -> None:
    """Audit the bundled demonstration machine: the correlator node of a radio observatory that does not exist."""
    if margin:
        document = demonstration().document
        show(document, status=exit_status(document), json=json)
        return
    tree = correlator().build()
    if write is None:
        show_audit(audit(read_machine(tree.source())), json=json, csv=csv)
        return
    try:
        if write.exists() and (not write.is_dir() or any(write.iterdir())):
            raise InputError("is not an empty directory", where=str(write), remedy="name a new or empty directory")
        written = tree.write(write)
    except OSError as error:
        what = f"cannot be written ({error.strerror})"
        raise InputError(what, where=str(write), remedy="give a place with room that you may write to") from error
    typer.echo(f"{plain(str(written))}: give this to --sysfs", err=True)
