"""Sections of the page of a soak: the result of each link, what to do, and what was carried."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from probe.audit.document import LinkDocument
from probe.audit.names import kind_of
from probe.counted import counted
from probe.errors.attribution import sentence
from probe.render.html.page import Section
from probe.render.units import data_rate, measured_rate
from probe.result import Result
from probe.soak.record import LinkOutcome, Record
from probe.soak.throughput import Throughput
from probe.soak.together import Together

_ORDER = (Result.FAILED, Result.INCONCLUSIVE, Result.PASSED)
_MARKS = {Result.FAILED: "odd", Result.INCONCLUSIVE: "apart", Result.PASSED: "usual"}
"""The looks of a cell, see the template."""
_LOADED = {True: "", False: ", not loaded", None: ", load not known"}
_NAMED = 4


def worst_first(outcome: LinkOutcome) -> tuple[bool, int]:
    """Urgent ones, then those that failed, then those without a result."""
    return not outcome.urgent, _ORDER.index(outcome.result)


def outcomes(listed: Sequence[LinkOutcome], links: Mapping[str, LinkDocument]) -> Section:
    """A row a link."""
    columns = ("result", "link", "component", "ran at", "errors", "hottest", "why")
    rows = tuple(
        (
            item.result,
            item.title,
            "" if item.place_id not in links else kind_of(links[item.place_id]) or "",
            f"{item.best if item.best == item.worst else f'{item.best} down to {item.worst}'}{_LOADED[item.loaded]}",
            _errors(item),
            "" if item.hottest_c is None else f"{item.hottest_c:.0f} °C",
            "; ".join(item.reasons),
        )
        for item in listed
    )
    marks = tuple((_MARKS[item.result], *[""] * (len(columns) - 1)) for item in listed)
    return Section(title="Each link", columns=columns, rows=rows, marks=marks)


def _errors(item: LinkOutcome) -> str:
    if item.errors_counted is False:
        return "not counted"
    before = [f"{item.errors_before_baseline} before the links ran"] if item.errors_before_baseline else []
    return "; ".join([*map(sentence, item.errors), *before]) or "none"


def steps(listed: Sequence[LinkOutcome]) -> Iterator[Section]:
    """What to do about those that failed, once for all that it is the same for."""
    by_steps: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for item in listed:
        if item.next_steps:
            by_steps[item.next_steps].append(item.title)
    rows = [
        (", ".join(titles) if number == 1 else "", str(number), step)
        for found, titles in by_steps.items()
        for number, step in enumerate(found, start=1)
    ]
    if rows:
        yield Section(title="What to do", columns=("links", "no.", "step"), rows=tuple(rows))


def carried(document: Record) -> Section:
    """What each load carried each way; where that is less than usual, whom to ask."""
    by_load: dict[tuple[str, str, str], dict[str, Throughput]] = defaultdict(dict)
    for item in document.throughput:
        by_load[item.load, item.target, item.place_id][item.direction] = item
    ways = tuple(dict.fromkeys(item.direction for item in document.throughput))
    titles = {outcome.place_id: outcome.title for outcome in document.links}
    rows = tuple(
        (f"{load} {target}", titles.get(place_id, "no link"), *(_measured(found.get(way)) for way in ways))
        for (load, target, place_id), found in by_load.items()
    )
    texts = () if rows else ("No load of linkprobe's own was run; what others carried is told by counters below.",)
    asks = tuple(_asks(document.throughput))
    note = (
        ("Medians, with the share of what the link can carry, and the least and most of all passes.",) if rows else ()
    )
    return Section(title="What was carried", texts=(*texts, *note, *asks), columns=("load", "link", *ways), rows=rows)


def _measured(item: Throughput | None) -> str:
    if item is None:
        return ""
    share = "" if item.share is None else f" ({item.share:.0%})"
    return f"{measured_rate(item.median_bytes_s)}{share}; {_spread(item)}, {counted(item.passes, 'pass', 'passes')}"


def _asks(throughput: Sequence[Throughput]) -> Iterator[str]:
    for item in throughput:
        if item.short:
            questions = f" Ask: {'; '.join(item.questions)}." if item.questions else ""
            yield f"{item.load} {item.target}, {item.direction}: {item.sentence}.{questions}"


def together(document: Record) -> Iterator[Section]:
    """The sums over what was loaded at the same time, where that was more than one."""
    rows = [
        (
            "all" if item.over is None else f"{item.over[0] or 'a hidden port'} to {item.over[1]}",
            item.phase,
            _named(item),
            measured_rate(item.median_bytes_s),
            "" if item.ceiling_bytes_s is None else f"{data_rate(item.ceiling_bytes_s)} ({item.share:.0%})",
            f"{_spread(item)}, {counted(item.phases, 'phase')}",
        )
        for item in document.together
    ]
    if rows:
        columns = ("over the link", "phase", "loads", "median of the sum", "ceiling", "spread")
        yield Section(title="At the same time", columns=columns, rows=tuple(rows))


def _named(item: Together) -> str:
    """The targets of few, the number of many."""
    return ", ".join(item.targets) if len(item.targets) <= _NAMED else counted(len(item.targets), "load")


def _spread(item: Throughput | Together) -> str:
    return f"{measured_rate(item.least_bytes_s)} to {measured_rate(item.most_bytes_s)}"
