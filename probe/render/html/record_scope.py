"""Sections of the page of a soak: what the result rests on, and what it says nothing of."""

from collections import defaultdict
from collections.abc import Iterator, Sequence

from probe.audit.document import LinkDocument
from probe.audit.names import described, title
from probe.counted import counted
from probe.documents.record_file import RecordFile
from probe.render.html import sections
from probe.render.html.page import Section
from probe.render.units import data_rate, duration
from probe.soak.record import Record

_RULES = (
    "Correctable link errors count from the moment the links ran at working speed under load, and fail where so many"
    " come in any window of the limit, wherever it lies; 6 in 2 hours is the only published generic limit found."
    " Uncorrectable errors fail from the first moment on."
    " A slow transfer asks why, and fails only where a least share of the ceiling was asked for."
)


def limits(document: Record, source: RecordFile) -> Section:
    """The limits and words that were used, and the file that all of this is from."""
    scope = document.scope
    times = (
        f"{duration(document.elapsed_s)} of {duration(document.planned_s)} planned"
        if document.planned_s
        else duration(document.elapsed_s)
    )
    rows = [
        ("started", document.started_at),
        ("ran", f"{times}; {counted(document.samples, 'sample')}"),
        ("ended", document.ended),
        ("loads", ", ".join(document.loads) or "none of linkprobe's own"),
        *(("placed", note) for note in document.notes),
    ]
    if scope is not None:
        rate = "none" if scope.rate_bytes_s is None else data_rate(scope.rate_bytes_s)
        rows += [
            ("limit of correctable link errors", scope.correctable_limit),
            ("was to end early on", ", ".join(scope.ends_on) or "nothing"),
            ("rate that was set", rate),
            ("least share of its ceiling, each way", "none" if scope.at_least is None else f"{scope.at_least:.4g}"),
            ("loaded by the person's word", ", ".join(scope.covers) or "nothing"),
            ("accepted", ", ".join(scope.accepts) or "nothing"),
        ]
    rows += [("record", source.name), ("SHA-256 of the record", source.sha256)]
    told = f"sha256sum {source.name} shows the same number for the file that this page was made of (FIPS 180-4)."
    return Section(title="Limits and method", texts=(_RULES, told), columns=("what", "value"), rows=tuple(rows))


def counting(document: Record) -> Section:
    """Whether errors could have been counted: a zero is believed only where something would have raised it."""
    doubts = () if document.scope is None else document.scope.counting_doubts
    without = [item.title for item in document.links if item.errors_counted is False]
    texts = [f"Why a zero may not be one: {doubt}." for doubt in doubts]
    if without:
        texts.append(
            f"No counter was read of these links ({len(without)} of {len(document.links)}): {', '.join(without)}."
        )
    if not texts:
        texts.append("Every link has error counters, and nothing that was read keeps errors from being counted.")
    return Section(title="Were errors counted", texts=tuple(texts))


def not_tested(document: Record) -> Section:
    """Each reason once, with all that it is the reason for."""
    by_reason: dict[str, list[str]] = defaultdict(list)
    for item in () if document.scope is None else document.scope.not_tested:
        by_reason[item.why].append(item.what)
    rows = tuple((why, ", ".join(found)) for why, found in by_reason.items())
    texts = () if rows else ("Every link that holds something was loaded, and what our loads moved was compared.",)
    return Section(title="What was not tested, and why", texts=texts, columns=("why", "what"), rows=rows)


def before_and_after(
    document: Record, before: Sequence[LinkDocument], after: Sequence[LinkDocument] | None
) -> Iterator[Section]:
    """What changed, and every link in both snapshots; a word where one is missing."""
    if after is None:
        told = f"The snapshot after the run is missing ({document.ended}): what changed in between cannot be told."
        yield Section(title="Before and after", texts=(told,))
    else:
        yield sections.changes(document.changes)
    then = {link.place_id: link for link in after or ()}
    rows = tuple(
        (
            title(link),
            described(link) or "",
            _state(link),
            *(() if after is None else (_state(then.get(link.place_id)),)),
            str(link.possible),
            _settings(link),
        )
        for link in before
    )
    columns = ("place", "component", "before", *(() if after is None else ("after",)), "can do", "settings before")
    yield Section(title="Every link of the machine", columns=columns, rows=rows)


def _state(link: LinkDocument | None) -> str:
    if link is None:
        return "not there"
    return str(link.verdict) if link.component is None else f"{link.verdict}, {link.negotiated}"


def _settings(link: LinkDocument) -> str:
    if link.component is None:
        return ""
    driver = f"driver {link.component.driver or 'none'}"
    return f"{driver}, ASPM {link.aspm or 'not read'}, payload {link.bandwidth.max_payload_size or 'not read'}"
