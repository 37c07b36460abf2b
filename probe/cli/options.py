"""Options that several commands share, and the evidence they lead to."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from probe.exceptions import InputError

if TYPE_CHECKING:
    from probe.evidence import Evidence

SysfsOption = Annotated[
    Path | None, typer.Option("--sysfs", metavar="DIR", help="Read this /sys tree (a directory or a tar) instead.")
]
SnapshotArgument = Annotated[
    str | None, typer.Argument(metavar="[SNAPSHOT]", help="Judge a saved snapshot instead; - is standard input.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the document as JSON.")]
WakeOption = Annotated[bool, typer.Option("--wake", help="Read sleeping devices too, which wakes them.")]


def evidence_from(sysfs: Path | None, snapshot: str | None = None, *, wake: bool = False) -> "Evidence":
    """The evidence a person means: a snapshot's, another tree's, or this host's. Raises LinkprobeError."""
    if snapshot is not None:
        if sysfs is not None:
            raise InputError("given together with --sysfs", where=snapshot, remedy="give one of the two")
        from probe.documents.files import read_snapshot

        return read_snapshot(snapshot).evidence
    from probe.host.machine import read_machine
    from probe.host.opening import open_source

    return read_machine(open_source(sysfs), wake=wake)
