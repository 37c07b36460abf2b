"""The fleet as one page: where to go first, how it went over weeks, every answer; and a page a host in trouble."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import altair as alt
import msgspec
import vl_convert

from probe.counted import counted
from probe.render import styles
from probe.render.html.page import Chart, Page, Section, html
from probe.render.terminal.fleet import shown

if TYPE_CHECKING:
    import pyarrow as pa

_TITLES = {
    "below": ("Below what both ends can do", "Every link runs at the best both ends can do, rests, or is empty."),
    "errors": ("Errors that rose, worst first", "No error counter rose between snapshots."),
    "racks": ("Racks short as a whole", "No rack is slower than all others of its kind."),
    "outliers": ("Unlike their peers", "No link differs from what most of its peers reach."),
    "margins": ("Margins far below those of peers", "No measured margin is far below those of its peers."),
    "flapping": ("Changing back and forth", "No link changed its state back and forth."),
    "silent": ("Silent hosts and impossible clocks", "Every host is heard of, and every clock can be right."),
    "results": ("What tests said", "No test record was taken in."),
    "trained": ("How often slots and models came up short", "None came up short in any boot."),
    "inventory": ("What is there", "No slot is filled."),
}
_URGENT = ("below", "errors", "racks")
_MOST_ROWS, _MOST_HOSTS, _FIRST = 500, 200, 20
_WIDTH, _HEIGHT, _TICKS = 640, 160, 10


class Fleet(msgspec.Struct, frozen=True, kw_only=True):
    """All that the pages tell: answers by question, trends by name, and how many hosts there are."""

    hosts: int
    answers: Mapping[str, "pa.Table"]
    trends: Mapping[str, "pa.Table"]
    histories: Mapping[str, "pa.Table"]


def first_hosts(answers: Mapping[str, "pa.Table"]) -> list[str]:
    """The hosts in trouble, those with most of it first: fatal errors, then links below capability, then the rest."""
    weights: dict[str, tuple[int, int, int]] = {}
    for name in ("errors", "below", "outliers", "flapping"):
        for row in answers[name].to_pylist():
            fatal, below, other = weights.get(row["host"], (0, 0, 0))
            urgent = name == "errors" and bool(row["fatal"] or row["nonfatal"])
            weights[row["host"]] = (fatal + urgent, below + (name == "below"), other + (name != "below" and not urgent))
    return sorted(weights, key=lambda host: (*(-count for count in weights[host]), host))


def pages(fleet: Fleet, folder: str) -> dict[str, str]:
    """The page under the empty name, and a page a host in trouble under its file's name in `folder`."""
    listed = first_hosts(fleet.answers)
    files = {host: f"{number:03d}-{_safe(host)}.html" for number, host in enumerate(listed[:_MOST_HOSTS])}
    found = {"": html(_front(fleet, listed, {host: f"{folder}/{name}" for host, name in files.items()}))}
    return found | {name: html(_host(fleet, host)) for host, name in files.items()}


def _safe(name: str) -> str:
    return "".join(letter if letter.isalnum() or letter in "-." else "-" for letter in name)


def _front(fleet: Fleet, listed: Sequence[str], links: Mapping[str, str]) -> Page:
    count = {name: len(fleet.answers[name]) for name in fleet.answers}
    trouble = any(count.get(name) for name in _URGENT)
    reasons = [
        _counted(count["errors"], "link", "with rising errors"),
        _counted(count["outliers"], "link", "unlike most of its peers", "unlike most of their peers"),
        _counted(count["silent"], "host", "silent or with an impossible clock"),
    ]
    sections = [_where_to_go(fleet, listed, links), *_pictures(fleet.trends)]
    sections += [_section(name, fleet.answers[name], links) for name in _TITLES if name in fleet.answers]
    return Page(
        title=f"Fleet of {counted(fleet.hosts, 'host')}",
        verdict=_counted(count["below"], "link", "below capability"),
        colour=styles.BAD if trouble else styles.GOOD,
        reasons=tuple(reasons),
        sections=tuple(sections),
    )


def _counted(count: int, thing: str, rest: str, plural_rest: str = "") -> str:
    return f"{count} {thing} {rest}" if count == 1 else f"{count} {thing}s {plural_rest or rest}"


def _where_to_go(fleet: Fleet, listed: Sequence[str], links: Mapping[str, str]) -> Section:
    """Racks first where they are known, then hosts."""
    rows = []
    for row in fleet.answers["racks"].to_pylist() if "racks" in fleet.answers else ():
        told = shown(row)
        rows.append(
            (
                f"rack {row['rack']}",
                f"slot {row['place']}: runs at {told['runs at']}, other racks {told['peers reach']}",
            )
        )
    for host in listed[:_FIRST]:
        parts = [
            _counted(sum(row["host"] == host for row in fleet.answers[name].to_pylist()), "link", text)
            for name, text in (("below", "below capability"), ("errors", "with errors"), ("flapping", "flapping"))
            if any(row["host"] == host for row in fleet.answers[name].to_pylist())
        ]
        rows.append((host, ", ".join(parts) or "unlike its peers"))
    texts = () if rows else ("Nothing asks for a visit.",)
    if len(listed) > _FIRST:
        texts = (f"The first {_FIRST} of {len(listed)} hosts.",)
    return Section(
        title="Where to go first", texts=texts, columns=("where", "why"), rows=tuple(rows), links=dict(links)
    )


def _section(name: str, answer: "pa.Table", links: Mapping[str, str]) -> Section:
    title, nothing = _TITLES[name]
    records = [shown(record) for record in answer.slice(0, _MOST_ROWS).to_pylist()]
    if not records:
        return Section(title=title, texts=(nothing,))
    left = len(answer) - len(records)
    texts = (f"The first {len(records)} of {len(answer)}.",) if left > 0 else ()
    rows = tuple(tuple(record.values()) for record in records)
    return Section(title=title, texts=texts, columns=tuple(records[0]), rows=rows, links=dict(links))


def _host(fleet: Fleet, host: str) -> Page:
    """One host: what is wrong with it, and what each of its links was."""
    sections = []
    for name in ("below", "errors", "outliers", "flapping", "results"):
        mine = [shown(row) for row in fleet.answers[name].to_pylist() if row["host"] == host]
        if mine:
            rows = tuple(tuple(row.values()) for row in mine)
            sections.append(Section(title=_TITLES[name][0], columns=tuple(mine[0]), rows=rows))
    history = (
        [shown(row) for row in fleet.histories[host].slice(0, _MOST_ROWS).to_pylist()]
        if host in fleet.histories
        else []
    )
    if history:
        rows = tuple(tuple(row.values()) for row in history)
        sections.append(Section(title="Every link, from when to when", columns=tuple(history[0]), rows=rows))
    short = [row for row in fleet.answers["below"].to_pylist() if row["host"] == host]
    return Page(
        title=host,
        verdict=_counted(len(short), "link", "below capability"),
        colour=styles.BAD,
        reasons=tuple(f"{row['place']} ({row['address']}): {row['verdict']}, {shown(row)['runs at']}" for row in short),
        sections=tuple(sections),
    )


def _pictures(trends: Mapping[str, "pa.Table"]) -> list[Section]:
    charts = []
    for name, title, value, series in (
        ("below", "Links below capability at the end of each day", "links", None),
        ("erred", "Errors on each day", "events", "severity"),
        ("heard", "Hosts heard of on each day", "hosts", None),
    ):
        rows = [_point(row, value, series) for row in trends[name].to_pylist()]
        if rows:
            charts.append(Chart(title, _svg(title, value, rows)))
    return [Section(title="Over the weeks", charts=tuple(charts))] if charts else []


def _point(row: Mapping[str, Any], value: str, series: str | None) -> dict[str, Any]:
    day = f"{datetime.fromtimestamp(row['day_s'], UTC):%Y-%m-%d}"
    return {"day": day, "value": row[value], "series": row[series] if series else value}


def _svg(title: str, unit: str, rows: list[dict[str, Any]]) -> str:
    several = len({row["series"] for row in rows}) > 1
    legend = alt.Legend(orient="bottom") if several else None
    lines = alt.Chart(alt.InlineData(values=rows)).mark_line(point=True)
    drawn = lines.encode(
        x=alt.X("day:T", title=None, axis=alt.Axis(format="%Y-%m-%d", labelAngle=-30, values=_ticks(rows))),
        y=alt.Y("value:Q", title=unit, scale=alt.Scale(zero=True), axis=alt.Axis(tickMinStep=1)),
        color=alt.Color("series:N", title=None, legend=legend),
        strokeDash=alt.StrokeDash("series:N", title=None, legend=legend),
    ).properties(width=_WIDTH, height=_HEIGHT)
    text: str = vl_convert.vegalite_to_svg(drawn.to_json())
    return text.replace("<svg ", f'<svg role="img" aria-label="{title}" ', 1)


def _ticks(rows: list[dict[str, Any]]) -> list[dict[str, int]]:
    """A few of the days, evenly chosen, as dates of the chart's language."""
    days = sorted({row["day"] for row in rows})
    chosen = days[:: max(1, -(-len(days) // _TICKS))]
    return [{"year": int(day[:4]), "month": int(day[5:7]), "date": int(day[8:])} for day in chosen]
