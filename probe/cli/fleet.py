"""linkprobe fleet."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from fake_sysfs.fleet import Fleet
from fake_sysfs.fleet import write as write_spools
from probe.cli.fleet_keeping import compact, expire, forget
from probe.cli.fleet_options import StoreOption
from probe.cli.fleet_questions import (
    below,
    compare,
    errors,
    flapping,
    history,
    inventory,
    outliers,
    racks,
    results,
    silent,
    trained,
    where,
)
from probe.counted import counted
from probe.exceptions import InputError
from probe.exit_status import ExitStatus
from probe.fleet.ingest import ingest as take_in
from probe.fleet.table import Store
from probe.foreign_text import plain

__all__ = [
    "below", "compact", "compare", "errors", "expire", "flapping", "forget", "history", "ingest", "inventory",
    "outliers", "racks", "results", "silent", "simulate", "trained", "where",
]  # fmt: skip


def ingest(
    spools: Annotated[list[Path], typer.Argument(metavar="SPOOL...", help="Spools of hosts, or files of them.")],
    store: StoreOption,
    delete: Annotated[bool, typer.Option("--delete", help="Delete each file once it is in the store.")] = False,
) -> None:
    """Take snapshots and test records into the store, each once. What cannot be used is told with the reason."""
    done = take_in(spools, Store(store), delete=delete)
    for part in done.damaged:
        sys.stderr.write(f"damaged, put away and made anew as far as the spools hold it: {plain(part)}\n")
    for reason in done.set_aside:
        sys.stderr.write(f"set aside: {plain(str(reason))}\n")
    aside = len(done.set_aside)
    sys.stdout.write(f"{counted(done.taken, 'file')} taken in, {done.known} known, {aside} set aside\n")
    if aside or done.damaged:
        raise typer.Exit(ExitStatus.FOUND)


def simulate(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the spools go; new or empty.")],
    hosts: Annotated[int, typer.Option(min=1, help="How many hosts.")] = 100,
    days: Annotated[int, typer.Option(min=1, help="How many days.")] = 7,
    a_day: Annotated[int, typer.Option(min=1, max=96, help="Snapshots a day of each host.")] = 1,
    faults: Annotated[int, typer.Option(min=0, help="How many faulty hosts.")] = 8,
    links: Annotated[int, typer.Option(min=8, max=200, help="Links of a host.")] = 60,
    seed: Annotated[int, typer.Option(help="The same seed gives the same fleet.")] = 1,
) -> None:
    """Write spools of a made-up fleet with faults planted, which planted.csv lists."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError("is not an empty directory", where=str(folder), remedy="name a new or empty directory")
    planted = write_spools(Fleet(hosts=hosts, days=days, a_day=a_day, faults=faults, links=links, seed=seed), folder)
    count = hosts * days * a_day
    counts = counted(hosts, "host"), counted(count, "snapshot"), counted(len(planted), "fault")
    sys.stdout.write(f"{', '.join(counts)}: {folder / 'planted.csv'}\n")
