"""linkprobe fleet."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from probe.exceptions import InputError
from probe.exit_status import ExitStatus
from probe.foreign_text import plain

if TYPE_CHECKING:
    from collections.abc import Callable

    import ibis


class Format(StrEnum):
    """How an answer is written."""

    TABLE = "table"
    JSON = "json"
    CSV = "csv"


StoreOption = Annotated[str, typer.Option("--store", metavar="PATH-OR-URL", help="A path, or a URL of fsspec.")]
EngineOption = Annotated[str, typer.Option("--engine", help="duckdb, spark (local), or spark://HOST:PORT.")]
FormatOption = Annotated[Format, typer.Option("--format", help="How the answer is written.")]


def ingest(
    spools: Annotated[list[Path], typer.Argument(metavar="SPOOL...", help="Spools of hosts, or files of them.")],
    store: StoreOption,
) -> None:
    """Take snapshots and soak records into the store, each once. What cannot be used is set aside with the reason."""
    from probe.fleet.ingest import ingest as run
    from probe.fleet.parts import Store

    done = run(spools, Store(store))
    for reason in done.set_aside:
        sys.stderr.write(f"set aside: {plain(str(reason))}\n")
    aside = len(done.set_aside)
    sys.stdout.write(f"{done.taken} files taken in ({done.rows} rows), {done.known} known, {aside} set aside\n")
    if aside:
        raise typer.Exit(ExitStatus.FOUND)


def below(store: StoreOption, engine: EngineOption = "duckdb", format_: FormatOption = Format.TABLE) -> None:
    """Show links in slots that run below what both ends can do now."""
    from probe.fleet.questions import below as question

    if _ask(question, store, engine, format_):
        raise typer.Exit(ExitStatus.FOUND)


def outliers(store: StoreOption, engine: EngineOption = "duckdb", format_: FormatOption = Format.TABLE) -> None:
    """Show links that differ from what most of their peers reach: hosts of one board, one slot, one kind of device."""
    from probe.fleet.questions import outliers as question

    if _ask(question, store, engine, format_):
        raise typer.Exit(ExitStatus.FOUND)


def errors(store: StoreOption, engine: EngineOption = "duckdb", format_: FormatOption = Format.TABLE) -> None:
    """Show links whose errors rose between snapshots, worst first."""
    from probe.fleet.questions import errors as question

    found = _ask(question, store, engine, format_)
    if found:
        urgent = found[0]["fatal"] or found[0]["nonfatal"]
        raise typer.Exit(ExitStatus.URGENT if urgent else ExitStatus.FOUND)


def history(
    host: Annotated[str, typer.Argument(metavar="HOST", help="The name of a host.")],
    store: StoreOption,
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Show when each link of a host changed."""
    from probe.fleet.questions import history as question

    _ask(lambda links: question(links, host), store, engine, format_)


def inventory(store: StoreOption, engine: EngineOption = "duckdb", format_: FormatOption = Format.TABLE) -> None:
    """Show what is in the fleet's slots and how it runs."""
    from probe.fleet.questions import inventory as question

    _ask(question, store, engine, format_)


def page(
    store: StoreOption,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="FILE", help="Where to.")],
    engine: EngineOption = "duckdb",
) -> None:
    """Write one self-contained page of the fleet."""
    from probe.documents.writing import write_atomically
    from probe.fleet.engine import opened
    from probe.fleet.parts import Store
    from probe.fleet.questions import QUESTIONS
    from probe.render.terminal.fleet import page as draw

    with opened(Store(store), engine) as links:
        answers = {name: question(links).to_pyarrow() for name, question in QUESTIONS.items()}
        hosts = links.host.nunique().to_pyarrow().as_py()
    write_atomically(output, draw(answers, hosts).encode())


def simulate(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the spools go; new or empty.")],
    hosts: Annotated[int, typer.Option(min=1, help="How many hosts.")] = 100,
    days: Annotated[int, typer.Option(min=1, help="How many days, a snapshot each.")] = 7,
    faults: Annotated[int, typer.Option(min=0, help="How many faulty hosts.")] = 8,
    links: Annotated[int, typer.Option(min=8, max=200, help="Links of a host.")] = 60,
    seed: Annotated[int, typer.Option(help="The same seed gives the same fleet.")] = 1,
) -> None:
    """Write spools of a made-up fleet with faults planted, which planted.csv lists."""
    from fake_sysfs.fleet import Fleet, write

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError("is not an empty directory", where=str(folder), remedy="name a new or empty directory")
    planted = write(Fleet(hosts=hosts, days=days, faults=faults, links=links, seed=seed), folder)
    sys.stdout.write(f"{hosts} hosts, {hosts * days} snapshots, {len(planted)} faults: {folder / 'planted.csv'}\n")


def _ask(
    question: "Callable[[ibis.Table], ibis.Table]", store: str, engine: str, format_: Format
) -> list[dict[str, Any]]:
    """Put a question, write the answer, and give its rows."""
    from probe.fleet.engine import opened
    from probe.fleet.parts import Store
    from probe.render.terminal import fleet as draw
    from probe.render.terminal.console import console

    with opened(Store(store), engine) as links:
        answer = question(links).to_pyarrow()
    if format_ is Format.TABLE:
        draw.table(answer, console())
    else:
        sys.stdout.write(draw.as_json(answer) if format_ is Format.JSON else draw.as_csv(answer))
    return list(answer.to_pylist())
