"""linkprobe snapshot."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from probe.audit.snapshot import take
from probe.cli.options import RedactOption, SysfsOption, WakeOption, evidence_from
from probe.counted import counted
from probe.documents.files import STANDARD_STREAM, encode
from probe.documents.writing import PRIVATE, write_atomically
from probe.foreign_text import file_name, plain


def snapshot(
    output: Annotated[
        str | None,
        typer.Option("-o", "--output", metavar="FILE", help="Where to; - is standard output, .gz compresses."),
    ] = None,
    sysfs: SysfsOption = None,
    wake: WakeOption = False,
    redact: RedactOption = False,
) -> None:
    """Save the evidence of this machine to a file, whole or not at all."""
    document = take(evidence_from(sysfs, wake=wake, redact=redact))
    data = encode(document)
    if output == STANDARD_STREAM:
        sys.stdout.buffer.write(data)
        return
    host = document.evidence.host
    moment = host.taken_at.replace(":", "").replace("-", "").partition("+")[0]
    path = Path(output or f"linkprobe-{file_name(host.name or 'host')}-{moment}Z.json")
    write_atomically(path, data, mode=PRIVATE)
    counts = counted(len(document.evidence.functions), "function"), counted(len(document.links), "link")
    typer.echo(f"{plain(str(path))}: {', '.join(counts)}", err=True)
