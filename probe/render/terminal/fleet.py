"""Answers of the fleet store: as a table, JSON, CSV, and one page."""

import csv
import io
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table

from probe.foreign_text import cells, made_plain
from probe.links.state import LinkState
from probe.render import styles
from probe.render.html.page import Page, Section, html

if TYPE_CHECKING:
    import pyarrow as pa

_STATES = {
    "runs at": ("speed_gts", "width"),
    "can do": ("possible_speed_gts", "possible_width"),
    "peers reach": ("usual_gts", "usual_width"),
}
_TITLES = {
    "below": ("Below what both ends can do", "Every link runs at the best both ends can do, rests, or is empty."),
    "outliers": ("Unlike their peers", "No link differs from what most of its peers reach."),
    "errors": ("Errors rising, worst first", "No error counter rose between snapshots."),
    "inventory": ("What is there", "No slot is filled."),
}
_TIMES = {"taken_s": "seen", "since_s": "since"}
_MOST_ROWS = 500
_FLEXIBLE = frozenset({"component", "board", "identity"})
_LEAST_FLEXIBLE, _GAP = 12, 2
_SPARE = ("seen", "board", "verdict", "hours", "last day", "component")


def table(answer: "pa.Table", screen: Console) -> None:
    """Draw an answer; nothing found is said."""
    records = [_shown(record) for record in answer.to_pylist()]
    if not records:
        screen.print("Nothing found.")
        return
    drawn = Table(box=None, pad_edge=False, header_style="bold")
    names, fit = _fitting(records, screen.width)
    for name in names:
        drawn.add_column(name, no_wrap=fit and name not in _FLEXIBLE, overflow="fold")
    for record in records:
        drawn.add_row(*(record[name] for name in names))
    screen.print(drawn)


def _fitting(records: Sequence[Mapping[str, str]], width: int) -> tuple[list[str], bool]:
    """The columns, the least needed left out where all do not fit, and whether these do; JSON and CSV have all."""
    names = list(records[0])
    longest = {name: max(len(name), *(len(record[name]) for record in records)) for name in names}
    least = {name: min(size, _LEAST_FLEXIBLE) if name in _FLEXIBLE else size for name, size in longest.items()}
    for spare in (*_SPARE, None):
        if sum(least[name] for name in names) + _GAP * (len(names) - 1) <= width:
            return names, True
        names = [name for name in names if name != spare]
    return names, False


def as_json(answer: "pa.Table") -> str:
    """An answer as JSON: a list of objects."""
    return json.dumps(answer.to_pylist(), indent=1) + "\n"


def as_csv(answer: "pa.Table") -> str:
    """An answer as CSV (RFC 4180), with a header; what was not read is empty."""
    out = io.StringIO()
    writer = csv.DictWriter(out, answer.column_names, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(map(cells, made_plain(answer.to_pylist())))
    return out.getvalue()


def page(answers: Mapping[str, "pa.Table"], hosts: int) -> str:
    """One self-contained page of all the answers."""
    found = {name: len(answers[name]) for name in ("below", "outliers", "errors")}
    trouble = found["below"] + found["errors"]
    return html(
        Page(
            title=f"Fleet of {hosts} hosts",
            verdict=f"{found['below']} links below capability",
            colour=styles.BAD if trouble else styles.GOOD,
            reasons=(
                f"{found['outliers']} links differ from what most of their peers reach",
                f"{found['errors']} links with rising errors",
            ),
            sections=tuple(_section(name, answer) for name, answer in answers.items()),
        )
    )


def _section(name: str, answer: "pa.Table") -> Section:
    title, nothing = _TITLES[name]
    records = [_shown(record) for record in answer.slice(0, _MOST_ROWS).to_pylist()]
    if not records:
        return Section(title=title, texts=(nothing,))
    left = len(answer) - len(records)
    texts = (f"The first {len(records)} of {len(answer)}.",) if left > 0 else ()
    return Section(
        title=title,
        texts=texts,
        columns=tuple(records[0]),
        rows=tuple(tuple(record.values()) for record in records),
    )


def _shown(record: Mapping[str, Any]) -> dict[str, str]:
    """A row for people: speed and width as one state, times as dates, the long reason only in JSON and CSV."""
    shown = {}
    states = {fields[0]: (title, LinkState(*map(record.get, fields))) for title, fields in _STATES.items()}
    hidden = {"reason", "kind", "identity", *(fields[1] for fields in _STATES.values())}
    for name, value in made_plain(dict(record)).items():
        if name in states:
            title, state = states[name]
            shown[title] = str(state)
        elif name in _TIMES:
            shown[_TIMES[name]] = f"{datetime.fromtimestamp(value, UTC):%Y-%m-%d %H:%M}"
        elif name not in hidden:
            shown[name.replace("_", " ")] = _text(value)
    return shown


def _text(value: object) -> str:
    if value is None:
        return "-"
    return f"{value:g}" if isinstance(value, float) else str(value)
