"""A page of a soak: what a signed record holds."""

from collections.abc import Iterator, Sequence

from probe.audit.names import title
from probe.counted import counted
from probe.documents.record_file import RecordFile
from probe.errors.attribution import sentence
from probe.evidence import Host
from probe.render import styles
from probe.render.html import sections
from probe.render.html.charts import charts
from probe.render.html.page import Page, Section
from probe.render.html.tree_picture import tree_picture
from probe.render.units import data_rate, duration
from probe.result import Result
from probe.soak.journal import Entry, Start
from probe.soak.record import Record

_LIMITS = (
    "Errors count from the moment the links ran at working speed under load. Any non-fatal or fatal error fails; "
    "correctable link errors fail past the limit of 6 in 2 hours unless another was given (the only published "
    "generic limit found). Less than 70 % of the ceiling asks why, and fails nothing."
)


def render(document: Record, entries: Sequence[Entry], source: RecordFile) -> Page:
    """The page."""
    start = entries[0]
    links = start.snapshot.links if isinstance(start, Start) else ()
    host = start.snapshot.evidence.host if isinstance(start, Start) else Host(taken_at="")
    titles = {link.place_id: title(link) for link in links}
    ceilings = {link.place_id: link.bandwidth.ceiling_bytes_s.to_host for link in links}
    return Page(
        title=f"Load record of {document.host or 'a machine'}",
        verdict=document.verdict,
        colour=styles.PAGE_RESULTS[document.result],
        reasons=document.reasons,
        tree=tree_picture(links),
        sections=(
            _outcomes(document),
            _carried(document),
            *_together(document),
            Section(title="Over time", charts=tuple(charts(entries, titles, ceilings))),
            _events(document),
            sections.changes(document.changes),
            _method(document, source),
            sections.environment(host),
            sections.links(links),
        ),
        signed=document.result is not Result.INCONCLUSIVE,
    )


def _outcomes(document: Record) -> Section:
    rows = [
        (
            item.title,
            item.result,
            item.under_load if item.loaded else f"{item.under_load}, not under load",
            str(item.best),
            str(item.worst),
            str(item.transitions),
            "; ".join(sentence(finding) for finding in item.errors) or "none",
            "" if item.hottest_c is None else f"{item.hottest_c:.0f} C",
        )
        for item in document.links
    ]
    columns = ("link", "result", "under load", "best seen", "worst seen", "transitions", "errors", "hottest")
    return Section(title="Each link under load", columns=columns, rows=tuple(rows))


def _carried(document: Record) -> Section:
    rows = [
        (
            f"{item.load} {item.target}",
            item.direction,
            data_rate(item.median_bytes_s),
            "" if item.ceiling_bytes_s is None else data_rate(item.ceiling_bytes_s),
            ", ".join((_range(item.least_bytes_s, item.most_bytes_s), counted(item.passes, "pass", "passes"))),
            item.sentence,
        )
        for item in document.throughput
    ]
    columns = ("load", "direction", "median", "ceiling", "spread", "meaning")
    return Section(title="What was carried", columns=columns, rows=tuple(rows))


def _together(document: Record) -> Iterator[Section]:
    """The sums over what was loaded at the same time, where that was more than one."""
    rows = [
        (
            "all" if item.over is None else f"{item.over[0] or 'a hidden port'} to {item.over[1]}",
            item.phase,
            ", ".join(item.targets),
            data_rate(item.median_bytes_s),
            "" if item.ceiling_bytes_s is None else f"{data_rate(item.ceiling_bytes_s)} ({item.share:.0%})",
            ", ".join((_range(item.least_bytes_s, item.most_bytes_s), counted(item.phases, "phase"))),
        )
        for item in document.together
    ]
    if rows:
        columns = ("over the link", "phase", "loads", "median of the sum", "ceiling", "spread")
        yield Section(title="At the same time", columns=columns, rows=tuple(rows))


def _events(document: Record) -> Section:
    rows = tuple((f"{event.t:.1f} s", event.place_id, event.sentence) for event in document.events)
    texts = () if rows else ("Nothing happened that was not asked for.",)
    return Section(title="Events", texts=texts, columns=("time", "place", "what"), rows=rows)


def _method(document: Record, source: RecordFile) -> Section:
    times = f"{duration(document.elapsed_s)} of {duration(document.planned_s)} planned"
    texts = (
        f"Started {document.started_at}; ran {times}; {document.ended}; {counted(document.samples, 'sample')}.",
        f"Loads: {', '.join(document.loads) or 'none; an outside load was accompanied'}.",
        _LIMITS,
        f"Record {source.name}, SHA-256 {source.sha256}.",
    )
    return Section(title="Method and limits", texts=texts)


def _range(least: float, most: float) -> str:
    return f"{data_rate(least)} to {data_rate(most)}"
