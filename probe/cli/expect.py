"""linkprobe expect."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from probe.audit.audit import audit
from probe.audit.names import title
from probe.audit.verdict_headline import headline
from probe.cli.audit import held_to, show_audit
from probe.cli.options import CsvOption, JsonOption, RedactOption, SnapshotArgument, SysfsOption, evidence_from
from probe.compare.expectation_writing import to_toml
from probe.documents.files import STANDARD_STREAM
from probe.documents.writing import write_atomically
from probe.foreign_text import plain
from probe.links.kind_of_link import KindOfLink


def write(
    snapshot: SnapshotArgument = None,
    output: Annotated[
        str, typer.Option("-o", "--output", metavar="FILE", help="Where to; - is standard output.")
    ] = "-",
    sysfs: SysfsOption = None,
    redact: RedactOption = False,
) -> None:
    """Turn a known-good machine into a TOML file that a person can read and edit."""
    document = audit(evidence_from(sysfs, snapshot, redact=redact))
    host = document.host
    for link in document.links:
        if link.kind is KindOfLink.SLOT and link.verdict.below_capability:
            told = f"{title(link)} is {link.verdict} now, and is written as it is: {headline(link)}"
            print(f"linkprobe: {plain(told)}", file=sys.stderr)  # noqa: T201 - beside the file, which may be standard output
    text = to_toml(document.links, f"{host.name or 'a machine'}, {host.taken_at}")
    if output == STANDARD_STREAM:
        sys.stdout.write(text)
    else:
        write_atomically(Path(output), text.encode())


def check(
    file: Annotated[str, typer.Argument(metavar="FILE", help="Expectations, as expect write makes them.")],
    snapshot: SnapshotArgument = None,
    json: JsonOption = False,
    csv: CsvOption = False,
    sysfs: SysfsOption = None,
    redact: RedactOption = False,
) -> None:
    """Audit a machine and hold it to a file of expectations."""
    show_audit(held_to(file, audit(evidence_from(sysfs, snapshot, redact=redact))), json=json, csv=csv)
