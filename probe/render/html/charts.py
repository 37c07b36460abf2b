"""A record's course over time as pictures (SVG), by Altair and vl-convert: no script is left in the result."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import altair as alt
import vl_convert

from probe.loads.results import Pass
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.render.html.page import Chart
from probe.soak.journal import Entry, LinkSample, Sample, Thinned

_POINTS = 600
_FIELDS = LinkSample.__struct_fields__
_WIDTH, _HEIGHT = 640, 150


def charts(entries: Sequence[Entry], titles: Mapping[str, str], ceilings: Mapping[str, int | None]) -> Iterator[Chart]:
    """Data rates, share of the ceiling, errors, speed and temperature of each link, with events marked."""
    sampled = [entry for entry in entries if isinstance(entry, Sample | Thinned)]
    step = max(1, len(sampled) // _POINTS)
    kept = sampled[::step]
    events = [
        {"t": e.t, "what": e.sentence}
        for e in entries
        if isinstance(e, LinkEvent) and e.kind is not LinkEventKind.WITNESS
    ]
    rates = list(_rates(kept, titles))
    shares = list(_shares(kept, titles, ceilings))
    measured = list(_passes(entries))
    for name, unit, rows in (
        ("Data rate measured by the loads", "GB/s", measured),
        ("Data rate by the counters that exist, both ways", "GB/s", rates),
        ("Share of the ceiling, the fuller way", "", shares),
        ("Errors since the start", "errors", list(_errors(entries, titles))),
        ("Speed", "GT/s", list(_values(kept, titles, "speed_gts"))),
        ("Temperature", "degrees Celsius", list(_values(kept, titles, "temperature_c"))),
    ):
        if rows:
            yield Chart(name, _svg(name, unit, rows, events))


def _value(sample: Sample | Thinned, place: str, field: str) -> float | None:
    index = _FIELDS.index(field)
    if isinstance(sample, Thinned):
        spread = sample.links[place][index]
        return None if spread is None else spread.mean
    value: float | None = getattr(sample.links[place], field)
    return value


def _values(kept: Sequence[Sample | Thinned], titles: Mapping[str, str], field: str) -> Iterator[dict[str, Any]]:
    for sample in kept:
        for place in sample.links:
            value = _value(sample, place, field)
            if value is not None:
                yield {"t": sample.t, "place": place, "link": titles.get(place, place), "value": value}


def _rates(kept: Sequence[Sample | Thinned], titles: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    for sample in kept:
        for place in sample.links:
            both = [_value(sample, place, field) for field in ("to_host_bytes_s", "from_host_bytes_s")]
            if None not in both:
                moved = sum(value or 0.0 for value in both) / 1e9
                yield {"t": sample.t, "place": place, "link": titles.get(place, place), "value": moved}


def _shares(
    kept: Sequence[Sample | Thinned], titles: Mapping[str, str], ceilings: Mapping[str, int | None]
) -> Iterator[dict[str, Any]]:
    """The fuller direction of each link against the ceiling of one direction."""
    for sample in kept:
        for place in sample.links:
            ways = [_value(sample, place, field) for field in ("to_host_bytes_s", "from_host_bytes_s")]
            known = [value for value in ways if value is not None]
            ceiling = ceilings.get(place)
            if known and ceiling:
                link = titles.get(place, place)
                yield {"t": sample.t, "place": place, "link": link, "value": max(known) / ceiling}


def _passes(entries: Sequence[Entry]) -> Iterator[dict[str, Any]]:
    passes = [entry for entry in entries if isinstance(entry, Pass) and entry.seconds > 0]
    for entry in passes[:: max(1, len(passes) // _POINTS)]:
        link = f"{entry.load} {entry.target}, {entry.direction}"
        yield {"t": entry.t, "place": entry.place_id, "link": link, "value": entry.bytes / entry.seconds / 1e9}


def _errors(entries: Sequence[Entry], titles: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    totals: dict[str, int] = {}
    for entry in entries:
        if isinstance(entry, CountedErrors):
            before = totals.get(entry.place_id, 0)
            totals[entry.place_id] = before + entry.count
            for value in (before, totals[entry.place_id]):
                link = titles.get(entry.place_id, entry.place_id)
                yield {"t": entry.t, "place": entry.place_id, "link": link, "value": value}


def _svg(name: str, unit: str, rows: list[dict[str, Any]], events: list[dict[str, Any]]) -> str:
    lines = (
        alt.Chart(alt.InlineData(values=rows))
        .mark_line(interpolate="step-after")
        .encode(
            x=alt.X("t:Q", title="seconds since the start"),
            y=alt.Y("value:Q", title=unit or "share"),
            color=alt.Color("link:N", title=None, legend=alt.Legend(orient="bottom", columns=2, labelLimit=300)),
            strokeDash=alt.StrokeDash("link:N", title=None),
        )
    )
    layers = [lines]
    if events:
        layers.append(alt.Chart(alt.InlineData(values=events)).mark_rule(color="#a3161a").encode(x="t:Q"))
    chart = alt.layer(*layers).properties(width=_WIDTH, height=_HEIGHT)
    drawn: str = vl_convert.vegalite_to_svg(chart.to_json())
    return drawn.replace("<svg ", f'<svg role="img" aria-label="{name} over time" ', 1)
