"""The questions of linkprobe fleet."""

import re
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Annotated, Any

import pyarrow as pa
import typer

from probe.cli.fleet_keeping import days_of
from probe.cli.fleet_options import EngineOption, Format, FormatOption, StoreOption
from probe.cli.showing import end, show
from probe.errors.limits import Limit, Limits
from probe.exceptions import InputError
from probe.exit_status import ExitStatus
from probe.fleet.asking import Question, answers, rows_of_component
from probe.fleet.engine import said
from probe.fleet.questions import peers, state, trouble
from probe.fleet.table import Store
from probe.fleet.whereabouts import whereabouts
from probe.foreign_text import plain
from probe.render.terminal import fleet as draw
from probe.render.terminal.console import console
from probe.render.whereabouts_records import records

_HOUR_S = 3_600
_DAY_H = 24


def below(store: StoreOption, engine: EngineOption = "duckdb", format_: FormatOption = Format.TABLE) -> None:
    """Show links in slots that run below what both ends can do now."""
    _end(_ask(state.below, store, engine, format_))


def outliers(
    store: StoreOption,
    margin: Annotated[bool, typer.Option("--margin", help="By the timing margins that tests measured.")] = False,
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Show links that differ from what most of their peers reach: hosts of one board, one place, one kind of device."""
    _end(_ask(peers.margins if margin else peers.outliers, store, engine, format_))


def racks(
    pattern: Annotated[
        str, typer.Argument(metavar="PATTERN", help="The rack in a host's name, in brackets: ^(r[0-9]+).")
    ],
    store: StoreOption,
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Show racks that are short as a whole, held against all racks of the same board."""
    _checked(pattern, groups=1)
    _end(_ask(lambda tables: peers.racks(tables, pattern), store, engine, format_))


def errors(
    store: StoreOption,
    correctable: Annotated[str, typer.Option(metavar="N/HOURS", help="Limit of correctable link errors.")] = "6/2h",
    data: Annotated[str, typer.Option(metavar="N/HOURS", help="Limit of poisoned or check sum errors.")] = "3/168h",
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Show links whose errors rose between snapshots, worst first, and which exceed a limit."""
    limits = Limits(Limit.parse(correctable), Limit.parse(data))
    found = _ask(lambda tables: trouble.errors(tables, limits), store, engine, format_, finish=trouble.rated)
    urgent = any(row["fatal"] or row["nonfatal"] for row in found)
    _end(found, ExitStatus.URGENT if urgent else ExitStatus.FOUND)


def flapping(
    store: StoreOption,
    days: Annotated[int, typer.Option(min=1, help="How many days back from a host's last snapshot.")] = 7,
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Show links that changed their state back and forth, twice at least."""
    _end(_ask(lambda tables: trouble.flapping(tables, days), store, engine, format_))


def history(
    host: Annotated[str, typer.Argument(metavar="HOST", help="The name or the machine of a host.")],
    store: StoreOption,
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Show what each link of a host was, from when to when."""
    _ask(lambda tables: state.history(tables, host), store, engine, format_)


def inventory(store: StoreOption, engine: EngineOption = "duckdb", format_: FormatOption = Format.TABLE) -> None:
    """Show what is in the fleet's slots and how it runs."""
    _ask(state.inventory, store, engine, format_)


def silent(
    store: StoreOption,
    after: Annotated[
        str, typer.Option(metavar="AGE", help="Silent since: 6h, 2d; else three times the usual gap.")
    ] = "",
    hosts: Annotated[Path | None, typer.Option(metavar="FILE", help="Names to expect, a line each.")] = None,
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Show hosts that are not heard of any more or never were. Clocks that cannot be right are told too."""
    seconds = round(days_of(after) * _DAY_H * _HOUR_S) if after else None
    now_s = int(time.time())
    expected = _lines(hosts) if hosts is not None else []
    known = _answer(lambda tables: tables.hosts.select("name").distinct(), store, engine)[0] if expected else None

    def finish(answer: pa.Table) -> pa.Table:
        return answer if known is None else state.never_heard(answer, known, expected)

    _end(_ask(lambda tables: state.silent(tables, now_s, seconds), store, engine, format_, finish=finish))


def where(
    serial: Annotated[str, typer.Argument(metavar="SERIAL", help="A component's Device Serial Number.")],
    store: StoreOption,
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Show where a component was, from when to when, and how it ran there."""
    found, left_out = rows_of_component(Store(store), serial, engine)
    _tell_left_out(left_out)
    document = whereabouts(serial, found)
    status = ExitStatus.CLEAN if document.stays else ExitStatus.NOTHING_JUDGED
    if format_ is Format.JSON:
        sys.stdout.write(draw.as_json(list(records(document))))
        end(status)
    else:
        show(document, status=status, csv=format_ is Format.CSV)


def trained(store: StoreOption, engine: EngineOption = "duckdb", format_: FormatOption = Format.TABLE) -> None:
    """Show how often each slot and model came up short over its boots."""
    _ask(peers.trained, store, engine, format_)


def compare(
    one: Annotated[str, typer.Argument(metavar="PATTERN", help="What the names of one group match: ^site-a-")],
    other: Annotated[str, typer.Argument(metavar="PATTERN", help="And of the other.")],
    store: StoreOption,
    engine: EngineOption = "duckdb",
    format_: FormatOption = Format.TABLE,
) -> None:
    """Compare two groups of hosts: what they hold, how much of it is short, and how it errs."""
    _checked(one, groups=0)
    _checked(other, groups=0)
    found = _ask(lambda tables: peers.compare(tables, one, other), store, engine, format_)
    _end([row for row in found if row["differs"]])


def results(store: StoreOption, engine: EngineOption = "duckdb", format_: FormatOption = Format.TABLE) -> None:
    """Show what the newest soak or other test said of each link."""
    found = _ask(trouble.results, store, engine, format_)
    _end([row for row in found if row["result"] == "failed"])


def _checked(pattern: str, *, groups: int) -> None:

    try:
        found = re.compile(pattern).groups
    except re.error as error:
        raise InputError(
            f"is no pattern ({error})", where=repr(pattern), remedy="write a regular expression"
        ) from error
    if found < groups:
        raise InputError("names no rack", where=repr(pattern), remedy="put the rack in brackets, as ^(r[0-9]+)")


def _lines(path: Path) -> list[str]:
    try:
        return [line.strip() for line in path.read_text().splitlines() if line.strip()]
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"cannot be read ({error})", where=str(path), remedy="give a text file, a name a line"
        ) from error


def _end(found: list[dict[str, Any]], status: ExitStatus = ExitStatus.FOUND) -> None:
    if found:
        raise typer.Exit(status)


def _answer(question: Question, store: str, engine: str) -> tuple[pa.Table, bool]:
    """An answer, and whether it is whole; parts that had to be left out are told."""
    found = answers(Store(store), question, engine=engine)
    _tell_left_out(found.left_out)
    return found.tables[0], not found.left_out


def _tell_left_out(parts: Iterable[str]) -> None:
    for part in parts:
        sys.stderr.write(f"{plain(said(part))}\n")


def _ask(
    question: Question,
    store: str,
    engine: str,
    format_: Format,
    finish: Callable[[pa.Table], pa.Table] | None = None,
) -> list[dict[str, Any]]:
    """Put a question, write the answer, and give its rows."""
    answer, whole = _answer(question, store, engine)
    if finish is not None:
        answer = finish(answer)
    if format_ is Format.TABLE:
        draw.table(answer, console())
    else:
        sys.stdout.write(draw.as_json(answer.to_pylist()) if format_ is Format.JSON else draw.as_csv(answer))
    rows: list[dict[str, Any]] = answer.to_pylist()
    if not rows and not whole:
        raise typer.Exit(ExitStatus.NOTHING_JUDGED)
    return rows
