"""linkprobe fleet page: what it asks and writes. Apart from the other questions, for it alone draws charts."""

import sys
import time
from pathlib import Path
from typing import Annotated

import pyarrow.compute as pc
import typer

from probe.cli.fleet_options import EngineOption, StoreOption
from probe.documents.writing import write_atomically
from probe.fleet.asking import Question, answers
from probe.fleet.engine import said
from probe.fleet.questions import peers, state, trends, trouble
from probe.fleet.table import Store
from probe.foreign_text import plain
from probe.render.html.fleet import Fleet, first_hosts, pages

_HISTORIES = 200
_DAYS = 56


def page(
    store: StoreOption,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="FILE", help="Where to.")],
    rack: Annotated[
        str, typer.Option(metavar="PATTERN", help="What names the rack in a host's name, in brackets.")
    ] = "",
    engine: EngineOption = "duckdb",
) -> None:
    """Write one self-contained page of the fleet. Beside it comes a folder with a page a host in trouble."""
    now_s = int(time.time())
    asked: dict[str, Question] = {
        "below": state.below, "errors": trouble.errors, "outliers": peers.outliers, "margins": peers.margins,
        "flapping": trouble.flapping, "silent": lambda tables: state.silent(tables, now_s),
        "results": trouble.results, "trained": peers.trained, "inventory": state.inventory,
        **({"racks": lambda tables: peers.racks(tables, rack)} if rack else {}),
        "heard": trends.heard, "erred": trends.erred,
        "hosts": lambda tables: state.current(tables.hosts).select("host", "last_s"),
    }  # fmt: skip
    opened = Store(store)
    found = answers(opened, *asked.values(), engine=engine)
    for part in found.left_out:
        sys.stderr.write(f"{plain(said(part))}\n")
    told = dict(zip(asked, found.tables, strict=True))
    told["errors"] = trouble.rated(told["errors"])
    hosts = told.pop("hosts")
    last_s = max(hosts["last_s"].to_pylist(), default=now_s)
    listed = first_hosts(told)[:_HISTORIES]
    days = trends.days_until(last_s, _DAYS)
    more = answers(
        opened,
        lambda tables: trends.below_on(tables, days),
        *(lambda tables, host=host: state.history(tables, host) for host in listed),
        engine=engine,
    )
    below, *histories = more.tables
    past = {"below": below} | {name: told.pop(name).filter(pc.field("day_s") >= days[0]) for name in ("heard", "erred")}
    fleet = Fleet(hosts=len(hosts), answers=told, trends=past, histories=dict(zip(listed, histories, strict=True)))
    folder = output.with_name(f"{output.stem}-hosts")
    for name, text in pages(fleet, folder.name).items():
        if name:
            folder.mkdir(exist_ok=True)
        write_atomically(folder / name if name else output, text.encode())
