"""linkprobe collect."""

import sys
from pathlib import Path
from typing import Annotated

import typer
from msgspec.structs import replace

from probe.cli.options import RedactOption, SysfsOption
from probe.cli.showing import end
from probe.collect.run import collect as run
from probe.collect.settings import read_settings
from probe.foreign_text import plain
from probe.host.opening import open_source


def collect(
    sysfs: SysfsOption = None,
    spool: Annotated[str | None, typer.Option(metavar="DIR", help="Where snapshots are kept.")] = None,
    metrics: Annotated[
        str | None, typer.Option(metavar="FILE", help="OpenMetrics text for a node agent's text-file directory.")
    ] = None,
    config: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Settings; /etc/linkprobe/config.toml where it is there.")
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="What is missing now is gone for good: tell it no more.")
    ] = False,
    redact: RedactOption = False,
) -> None:
    """Run once for cron or a timer: keep a snapshot, tell monitoring, say what changed since the last run.

    Quiet where nothing changed. The exit status is that of diff: 1 something changed for the worse, 2 urgent. What went
    by itself stays urgent until it is back, or until --accept.
    """
    settings = read_settings(config)
    if spool is not None:
        settings = replace(settings, spool=spool)
    if metrics is not None:
        settings = replace(settings, metrics=metrics)
    if redact:
        settings = replace(settings, redact=True)
    found = run(open_source(sysfs), settings, accept=accept)
    for line in found.lines:
        sys.stdout.write(f"{plain(line)}\n")
    end(found.status)
