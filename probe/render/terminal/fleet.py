"""Answers of the fleet store: as a table, JSON, CSV."""

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table

from probe.foreign_text import made_plain
from probe.links.state import LinkState
from probe.render.csv import table as csv

if TYPE_CHECKING:
    import pyarrow as pa

_STATES = {
    "runs at": ("speed_gts", "width"),
    "can do": ("possible_speed_gts", "possible_width"),
    "peers reach": ("usual_gts", "usual_width"),
}
_TIMES = {"seen_s": "seen", "since_s": "since", "until_s": "until", "day_s": "day"}
_HIDDEN = frozenset({
    "reason", "reasons", "kind", "identity", "machine", "at_least", "link_window", "data_window", "an_hour_low",
    "an_hour_high", "share_low", "share_high", "over_data", "alike", "rack_links", "place_id", "ran_at",
})  # fmt: skip
_NAMES = {
    "an_hour": "an hour",
    "over_link": "over limit",
    "is_silent": "silent",
    "odd_clock": "clock",
    "share": "share",
    "nonfatal": "non-fatal",
}
_MARKS = {"odd_clock": "impossible", "twins": "two machines"}
_FLEXIBLE = frozenset({"component", "board"})
_LEAST_FLEXIBLE, _GAP = 12, 2
_SPARE = (
    "snapshots", "since", "others", "seen", "board", "hours", "non-fatal", "until", "can do",
    "last day", "boots", "verdict", "silent hours", "hosts", "component", "hours a", "hours b", "links a", "links b",
)  # fmt: skip


def table(answer: "pa.Table", screen: Console) -> None:
    """Draw an answer; nothing found is said."""
    draw(answer.to_pylist(), screen)


def draw(found: Sequence[Mapping[str, Any]], screen: Console, spare: Sequence[str] = _SPARE) -> None:
    """Draw records; nothing found is said. `spare` are the columns that go first where there is no room."""
    records = [shown(record) for record in found]
    if not records:
        screen.print("Nothing found.")
        return
    drawn = Table(box=None, pad_edge=False, header_style="bold")
    names, fit = _fitting(records, screen.width, spare)
    for name in names:
        drawn.add_column(name, no_wrap=fit and name not in _FLEXIBLE, overflow="fold")
    for record in records:
        drawn.add_row(*(record[name] for name in names))
    screen.print(drawn)
    if left_out := [name for name in records[0] if name not in names]:
        screen.print(f"No room for {', '.join(left_out)}: a wider screen has more, JSON has all.", style="dim")


def _fitting(records: Sequence[Mapping[str, str]], width: int, spares: Sequence[str]) -> tuple[list[str], bool]:
    """The columns, the least needed left out where all do not fit, and whether these do; JSON and CSV have all."""
    names = list(records[0])
    longest = {name: max(len(name), *(len(record[name]) for record in records)) for name in names}
    least = {name: min(size, _LEAST_FLEXIBLE) if name in _FLEXIBLE else size for name, size in longest.items()}
    for spare in (*spares, None):
        if sum(least[name] for name in names) + _GAP * (len(names) - 1) <= width:
            return names, True
        names = [name for name in names if name != spare]
    return names, False


def as_json(found: Sequence[Mapping[str, Any]]) -> str:
    """Records as JSON: a list of objects."""
    return json.dumps(found, indent=1) + "\n"


def as_csv(answer: "pa.Table") -> str:
    """An answer as CSV, with a header; what was not read is empty."""
    return csv.table(answer.column_names, answer.to_pylist())


def shown(record: Mapping[str, Any]) -> dict[str, str]:
    """A row for people: speed and width as one state, times as dates; what is long only in JSON and CSV."""
    found = {}
    states = {fields[0]: (title, LinkState(*map(record.get, fields))) for title, fields in _STATES.items()}
    hidden = _HIDDEN | {fields[1] for fields in _STATES.values()}
    for name, value in made_plain(dict(record)).items():
        if name in states:
            title, state = states[name]
            found[title] = str(state)
        elif name in _TIMES:
            found[_TIMES[name]] = "still" if value is None else f"{datetime.fromtimestamp(value, UTC):%Y-%m-%d %H:%M}"
        elif name in _INTERVALS:
            found[_NAMES[name]] = _with_interval(value, *(record.get(f"{name}_{end}") for end in ("low", "high")))
        elif name == "over_link":
            found[_NAMES[name]] = "yes" if value or record.get("over_data") else ""
        elif name not in hidden:
            found[_NAMES.get(name, name.replace("_", " "))] = _text(value, _MARKS.get(name, "yes"))
    return found


_INTERVALS = frozenset({"an_hour", "share"})


def _with_interval(value: float | None, low: float | None, high: float | None) -> str:
    if value is None or low is None or high is None:
        return "-"
    return f"{value:.3g} ({low:.2g} to {high:.2g})"


def _text(value: object, yes: str) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return yes if value else ""
    return f"{value:g}" if isinstance(value, float) else str(value)
