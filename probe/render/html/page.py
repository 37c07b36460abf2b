"""A document as one self-contained page without scripts, printable to A4."""

from collections.abc import Iterable, Sequence
from importlib.resources import files

import msgspec

from probe import __version__
from probe.audit.document import AuditDocument, LinkDocument
from probe.audit.headline import headline, where
from probe.audit.names import described, title
from probe.compare.changes import Change, Comparison, Rank
from probe.errors.attribution import sentence
from probe.evidence import Host
from probe.render.html.charts import Chart, charts
from probe.render.html.tree_picture import COLOURS, tree_picture
from probe.render.units import data_rate, duration
from probe.soak.journal import Entry, Start
from probe.soak.record import Record
from probe.verdict.next_steps import CAUTIONS
from probe.verdict.words import Verdict

_GOOD, _BAD = COLOURS[Verdict.FULL], COLOURS[Verdict.DOWNTRAINED]


_LIMITS = (
    "Errors count from the moment the links ran at working speed under load. Any non-fatal or fatal error fails; "
    "correctable link errors fail past the limit of 6 in 2 hours unless another was given (the only published "
    "generic limit found). Less than 70 % of the ceiling in one direction fails."
)


class Section(msgspec.Struct, frozen=True, kw_only=True):
    """A heading with texts, a table, and pictures."""

    title: str
    texts: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    charts: tuple[Chart, ...] = ()


class Page(msgspec.Struct, frozen=True, kw_only=True):
    """All that a page holds."""

    title: str
    verdict: str
    colour: str
    reasons: tuple[str, ...]
    sections: tuple[Section, ...]
    tree: str | None = None
    signed: bool = False
    safety: str = CAUTIONS
    written_by: str = f"linkprobe {__version__}"


def html(page: Page) -> str:
    """The page as HTML. All text is escaped; only our own pictures are taken as they are."""
    import jinja2  # noqa: PLC0415 - for pages only
    import markupsafe  # noqa: PLC0415 - as above

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(files("probe.render.html").joinpath("page.html.j2").read_text())
    marked = msgspec.structs.asdict(page)
    marked["tree"] = markupsafe.Markup(page.tree) if page.tree else None  # noqa: S704 - our own picture
    marked["sections"] = [_marked(section, markupsafe.Markup) for section in page.sections]
    return template.render(page=marked)


def _marked(section: Section, markup: type[str]) -> dict[str, object]:
    found = msgspec.structs.asdict(section)
    found["charts"] = [{"title": chart.title, "svg": markup(chart.svg)} for chart in section.charts]
    return found


def audit_page(document: AuditDocument) -> Page:
    """A page of an audit."""
    alarming = [link for link in document.links if link.alarming]
    reasons = [f"{title(link)}: {headline(link)}" for link in alarming]
    reasons += [f"{item.place or item.rule}: {item.sentence}" for item in document.deviations]
    return Page(
        title=f"PCI Express links of {document.host.name or 'a machine'}",
        verdict="something was found" if reasons else "nothing to report",
        colour=_BAD if reasons else _GOOD,
        reasons=tuple(reasons) or (f"{len(document.links)} links were judged",),
        tree=tree_picture(document.links),
        sections=(*_link_sections(document.links), _environment(document.host), *_notes(document)),
    )


def comparison_page(document: Comparison) -> Page:
    """A page of a comparison."""
    worse = [change for change in document.changes if change.rank is Rank.WORSE]
    return Page(
        title=f"Before and after: {document.host or 'a machine'}",
        verdict="something changed for the worse" if worse else "nothing changed for the worse",
        colour=_BAD if worse else _GOOD,
        reasons=tuple(f"{change.place}: {change.sentence}" for change in worse) or document.notes or ("compared",),
        sections=(_changes(document.changes),),
    )


def record_page(document: Record, entries: Sequence[Entry]) -> Page:
    """A page of a soak: what a signed record holds."""
    start = entries[0]
    links = start.snapshot.links if isinstance(start, Start) else ()
    host = start.snapshot.evidence.host if isinstance(start, Start) else Host(taken_at="")
    titles = {link.place_id: title(link) for link in links}
    ceilings = {link.place_id: link.bandwidth.ceiling_bytes_s.to_host for link in links}
    return Page(
        title=f"Load record of {document.host or 'a machine'}",
        verdict=document.verdict,
        colour=_GOOD if document.verdict == "passed" else _BAD,
        reasons=document.reasons,
        tree=tree_picture(links),
        sections=(
            _outcomes(document),
            _carried(document),
            Section(title="Over time", charts=tuple(charts(entries, titles, ceilings))),
            _events(document),
            _changes(document.changes),
            _method(document),
            _environment(host),
            *_link_sections(links),
        ),
        signed=True,
    )


def _outcomes(document: Record) -> Section:
    rows = [
        (
            item.title,
            item.under_load,
            str(item.best),
            str(item.worst),
            str(item.transitions),
            "; ".join(sentence(finding) for finding in item.errors) or "none",
            "" if item.hottest_c is None else f"{item.hottest_c:.0f} C",
        )
        for item in document.links
    ]
    columns = ("link", "under load", "best seen", "worst seen", "transitions", "errors", "hottest")
    return Section(title="Each link under load", columns=columns, rows=tuple(rows))


def _carried(document: Record) -> Section:
    rows = [
        (
            f"{item.load} {item.target}",
            item.direction,
            data_rate(item.median_bytes_s),
            "" if item.ceiling_bytes_s is None else data_rate(item.ceiling_bytes_s),
            f"{data_rate(item.least_bytes_s)} to {data_rate(item.most_bytes_s)}, {item.passes} passes",
            item.sentence,
        )
        for item in document.throughput
    ]
    columns = ("load", "direction", "median", "ceiling", "spread", "meaning")
    return Section(title="What was carried", columns=columns, rows=tuple(rows))


def _events(document: Record) -> Section:
    rows = tuple((f"{event.t:.1f} s", event.place_id, event.sentence) for event in document.events)
    texts = () if rows else ("Nothing happened that was not asked for.",)
    return Section(title="Events", texts=texts, columns=("time", "place", "what"), rows=rows)


def _changes(changes: Iterable[Change]) -> Section:
    rows = tuple((change.rank, change.place, change.sentence, change.evidence) for change in changes)
    texts = () if rows else ("Nothing changed between the snapshots before and after.",)
    return Section(title="Before and after", texts=texts, columns=("rank", "place", "change", "evidence"), rows=rows)


def _method(document: Record) -> Section:
    times = f"{duration(document.elapsed_s)} of {duration(document.planned_s)} planned"
    texts = (
        f"Started {document.started_at}; ran {times}; {document.ended}; {document.samples} samples.",
        f"Loads: {', '.join(document.loads) or 'none; an outside load was accompanied'}.",
        _LIMITS,
    )
    return Section(title="Method and limits", texts=texts)


def _environment(host: Host) -> Section:
    rows = [
        ("host", host.name or "not read"),
        ("kernel", host.kernel or "not read"),
        ("kernel command line", host.command_line or "not read"),
        ("taken at", host.taken_at),
        ("boot id", host.boot_id or "not read"),
        *((name.replace("_", " "), text) for name, text in sorted(host.firmware.items())),
    ]
    return Section(title="Environment", columns=("what", "value"), rows=tuple(rows))


def _link_sections(links: Sequence[LinkDocument]) -> Iterable[Section]:
    rows = tuple(
        (
            title(link),
            where(link),
            link.verdict,
            str(link.negotiated),
            str(link.possible),
            described(link) or "",
            "" if link.component is None else link.component.driver or "",
            f"ASPM {link.aspm or 'not read'}, payload {link.bandwidth.max_payload_size or 'not read'}",
        )
        for link in links
    )
    columns = ("place", "address", "verdict", "runs at", "can do", "component", "driver", "settings")
    yield Section(title="Links as first seen", columns=columns, rows=rows)


def _notes(document: AuditDocument) -> Iterable[Section]:
    rows = tuple((note.subject, note.meaning) for note in document.observations)
    if rows:
        yield Section(title="Notes", columns=("subject", "meaning"), rows=rows)
