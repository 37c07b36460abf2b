"""Sections of the page of a soak: the course of each link as a strip, and what happened."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.counted import counted
from probe.links.state import LinkState
from probe.loads.results import Mismatch
from probe.observe.events import CountedErrors
from probe.render.html.page import Chart, Section
from probe.render.html.strip import Frame, strip
from probe.soak.course import Course, courses
from probe.soak.journal import Entry
from probe.soak.record import LinkOutcome, Record

_FEW = 4
_MOST_EVENTS = 200
_KEY = (
    "A strip goes over the whole run. State: a bar as high as what the state carries of the best. Rate: to the host"
    " solid, from the host in long dashes, both ways in short ones, any other dotted; what the link can carry one way"
    " is a thin grey line. Errors: a bar a moment. A red dashed line through all is an event that fails the link. Where"
    " nobody looked there is nothing."
)


def over_time(
    document: Record, listed: Sequence[LinkOutcome], entries: Sequence[Entry], links: Mapping[str, LinkDocument]
) -> Section:
    """A strip a link, the worst first."""
    found = courses(entries, document.elapsed_s)
    shown = [item for item in listed if item.place_id in found]
    tall = len(shown) <= _FEW
    charts = tuple(
        _chart(item, found[item.place_id], links.get(item.place_id), document.elapsed_s, tall=tall) for item in shown
    )
    texts = (_KEY,) if charts else ("Nothing was sampled.",)
    return Section(title="Over time", texts=texts, charts=charts)


def _chart(outcome: LinkOutcome, course: Course, link: LinkDocument | None, end_s: float, *, tall: bool) -> Chart:
    by = "" if not course.rates else f", rate by {'counters' if course.by_counters else 'the loads'}"
    ceiling = None if link is None else link.bandwidth.ceiling_bytes_s.to_host
    can = "" if ceiling is None else f", can carry {ceiling / 1e9:.3g} GB/s one way"
    frame = Frame(
        title=outcome.title,
        best=LinkState() if link is None else link.possible,
        ceiling_bytes_s=ceiling,
        end_s=end_s,
        counted=outcome.errors_counted,
        tall=tall,
    )
    return Chart(f"{outcome.title}: {outcome.result}{by}{can}", strip(course, frame))


class _Row(msgspec.Struct, frozen=True):
    """What happened from one moment to another, once or again and again."""

    t: float
    until: float
    place: str
    words: str
    count: int | None
    bad: bool

    @property
    def cells(self) -> tuple[str, str, str]:
        """As a row of the table."""
        time = f"{self.t:.1f} s" if self.until == self.t else f"{self.t:.1f} to {self.until:.1f} s"
        return time, self.place, self.words if self.count is None else f"{self.count} {self.words}"


def events(document: Record, entries: Iterable[Entry]) -> Section:
    """What happened, by the names of the slots. Errors of a kind at a place are one row."""
    titles = {item.place_id: item.title for item in document.links}
    rows = sorted((*_events(document, titles), *_errors(entries, titles)), key=lambda row: row.t)
    kept = sorted(sorted(rows, key=lambda row: not row.bad)[:_MOST_EVENTS], key=lambda row: row.t)
    texts = () if rows else ("Nothing happened that was not asked for.",)
    if len(kept) < len(rows):
        texts = (
            f"Of {counted(len(rows), 'event')} these are {_MOST_EVENTS}, the bad ones first; all are in the record.",
        )
    return Section(title="Events", texts=texts, columns=("time", "link", "what"), rows=tuple(row.cells for row in kept))


def _events(document: Record, titles: Mapping[str, str]) -> Iterator[_Row]:
    for event in document.events:
        place = titles.get(event.place_id, event.place_id) or "the run"
        yield _Row(event.t, event.t, place, event.sentence, None, event.bad)
    for item in document.mismatches:
        yield _Row(
            item.t, item.t, titles.get(item.place_id, item.place_id) or "the run", _changed(item), None, bad=True
        )


def _changed(item: Mismatch) -> str:
    times = "" if item.times == 1 else f", {item.times} times"
    there = f"expected {item.expected[:32]}, found {item.found[:32]}"
    bits = counted(item.bits, "bit")
    return f"{item.load} {item.target}: data came back changed at offset {item.offset} ({bits}){times}: {there}"


def _errors(entries: Iterable[Entry], titles: Mapping[str, str]) -> Iterator[_Row]:
    rows: dict[tuple[str, str], _Row] = {}
    for item in entries:
        if isinstance(item, CountedErrors):
            key = (item.place_id, item.words)
            place = titles.get(item.place_id, item.place_id)
            before = rows.get(key, _Row(item.t, item.t, place, item.words, 0, bad=True))
            rows[key] = msgspec.structs.replace(before, until=item.t, count=(before.count or 0) + item.count)
    yield from rows.values()
