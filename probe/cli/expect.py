"""linkprobe expect."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from probe.cli.options import JsonOption, SnapshotArgument, SysfsOption, evidence_from

if TYPE_CHECKING:
    from probe.audit.document import AuditDocument

expect = typer.Typer(help="Hold a machine to what it should be.", rich_markup_mode=None)


@expect.command()
def write(
    snapshot: SnapshotArgument = None,
    output: Annotated[
        str, typer.Option("-o", "--output", metavar="FILE", help="Where to; - is standard output.")
    ] = "-",
    sysfs: SysfsOption = None,
) -> None:
    """Turn a known-good machine into a TOML file that a person can read and edit."""
    from probe.audit.audit import audit
    from probe.compare.expectation_file import to_toml
    from probe.documents.files import STANDARD_STREAM, write_atomically

    document = audit(evidence_from(sysfs, snapshot))
    host = document.host
    text = to_toml(document.links, f"{host.name or 'a machine'}, {host.taken_at}")
    if output == STANDARD_STREAM:
        sys.stdout.write(text)
    else:
        write_atomically(Path(output), text.encode())


@expect.command()
def check(
    file: Annotated[str, typer.Argument(metavar="FILE", help="Expectations, as expect write makes them.")],
    snapshot: SnapshotArgument = None,
    json: JsonOption = False,
    sysfs: SysfsOption = None,
) -> None:
    """Audit a machine and hold it to a file of expectations."""
    from probe.audit.audit import audit
    from probe.cli.audit import show

    show(held_to(file, audit(evidence_from(sysfs, snapshot))), json=json)


def held_to(file: str, document: "AuditDocument") -> "AuditDocument":
    """The audit with its deviations from a file of expectations."""
    from msgspec.structs import replace

    from probe.compare.expectations import deviations, parse
    from probe.documents.files import read_bytes

    expectations = parse(read_bytes(file).decode("utf-8", "replace"), file)
    return replace(document, deviations=deviations(expectations, document.links, document.host.uptime_s))
