"""One run of the collector: read, keep, compare with the run before, tell monitoring. Quiet where nothing changed."""

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import NamedTuple

import msgspec

from probe.audit.audit import audit
from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.audit.outcome import exit_status
from probe.audit.snapshot import take
from probe.audit.verdict_headline import headline
from probe.collect.lately import carried_on, newly, over_limit
from probe.collect.missing import still_missing
from probe.collect.settings import Settings
from probe.collect.spool import Spool
from probe.compare.changes import Change
from probe.compare.following import follow
from probe.compare.identity import Identity
from probe.compare.quantities import ANSWERS
from probe.compare.rank import Rank
from probe.documents.redaction_key import pseudonyms
from probe.documents.writing import write_atomically
from probe.evidence import unlisted
from probe.exceptions import InputError, NothingToJudge
from probe.exit_status import ExitStatus
from probe.host.bounded import hung, read_bounded
from probe.host.child import PATIENCE_S
from probe.host.source import Source
from probe.render.openmetrics.collected import Collected, RunFigures, exposition

_AT_ONCE = 4  # dead functions that may each take their share of a run's time


class Run(msgspec.Struct, frozen=True, kw_only=True):
    """What a run has to say: lines for the journal, and the exit status."""

    lines: tuple[str, ...]
    status: ExitStatus
    kept: str | None = None


def collect(source: Source, settings: Settings, *, accept: bool = False) -> Run:
    """One run; with `accept` what is missing now is so by right. Raises LinkprobeError where nothing could be kept.

    Another run at work is no error. As long as a component is missing the run is urgent, and says it once.
    """
    spool = Spool(settings)
    with spool.held() as alone:
        if not alone:
            return Run(lines=(), status=ExitStatus.CLEAN)
        began = time.monotonic()
        names = pseudonyms(settings.redaction_key) if settings.redact else None
        before = spool.latest()
        patience = min(PATIENCE_S, settings.timeout_s / _AT_ONCE)
        evidence = read_bounded(source, patience_s=patience, within_s=settings.timeout_s)
        if (unread := unlisted(evidence.unread)) is not None:  # a list that was not read is no list of nothing
            what = f"no PCI functions are listed ({unread.detail or unread.why})"
            raise NothingToJudge(what, where=source.label, remedy="check that this is the /sys of a machine with PCI")
        after = take(names.clean(evidence) if names else evidence)
        silent = hung(after.evidence)
        kept = spool.keep(after)
        told = follow(before, after, settings.limits, spool.known())
        missing = () if accept else still_missing(spool.missing(), told, after.evidence.host.taken_at)
        widest = _widest(spool.widest(), after.links, told.are)
        at_silent = frozenset(title(link) for link in after.links if not set(silent).isdisjoint(_functions(link)))
        standing = exit_status(audit(evidence))
        first = _standing(after.links) if before is None else ()
        lately = carried_on(spool.lately(), told.comparison, after.links, settings.limits.correctable)
        over = over_limit(lately, after.links, settings.limits.correctable)
        lines = [*map(_no_answer, silent), *first, *_lines(told.changes, at_silent)]
        lines += [item.sentence for item in newly(over, told.comparison)]
        for note in (
            partial(spool.remember, told.are),
            partial(spool.keep_missing, missing),
            partial(spool.keep_widest, widest.kept),
            partial(spool.keep_lately, lately),
        ):
            lines += _noted(note)
        figures = _figures(spool, began, hung=silent, gone=len(missing))
        lines += _tell(settings, Collected(after.links, widest.of_places, figures, spool.results()))
        status = _status(told.status, standing, first=before is None)
        status = ExitStatus.FOUND if over and status is not ExitStatus.URGENT else status
        return Run(lines=tuple(lines), status=ExitStatus.URGENT if missing or silent else status, kept=str(kept))


def _standing(links: Iterable[LinkDocument]) -> tuple[str, ...]:
    """What a first run finds, which has nothing to compare with."""
    return tuple(
        f"{'urgent, ' if link.urgent else ''}{title(link)}: {headline(link)}"
        for link in links
        if link.alarming or link.urgent
    )


def _status(changed: ExitStatus, standing: ExitStatus, *, first: bool) -> ExitStatus:
    """That of the changes; of a first run that of an audit, and where nothing can be judged, that of an audit too."""
    if first or (changed is ExitStatus.CLEAN and standing is ExitStatus.NOTHING_JUDGED):
        return standing
    return changed


def _no_answer(function: str) -> str:
    return f"urgent, {function}: did not answer; look at its power and seating, and at the kernel log"


def _functions(link: LinkDocument) -> Iterator[str]:
    yield from filter(None, (link.downstream_port,))
    if link.component is not None:
        yield from link.component.functions


def _lines(changes: tuple[Change, ...], told: frozenset[str]) -> Iterator[str]:
    """A line a change; that a place does not answer is not said again of those of which it was `told`."""
    for change in changes:
        if change.kind == ANSWERS and change.urgent and change.place in told:
            continue
        urgent = "urgent, " if change.urgent else ""
        rank = "" if change.rank is Rank.NEUTRAL else f"{change.rank}, "
        yield f"{urgent}{rank}{change.place}: {change.sentence} [{change.evidence}]"


def _noted(note: Callable[[], None]) -> Iterator[str]:
    """Keep something for the next run. Where that fails it is said: what this run found is told all the same."""
    try:
        note()
    except InputError as error:
        yield f"not noted for the next run, the snapshot is kept: {error}"


def _figures(spool: Spool, began: float, *, hung: tuple[str, ...] = (), gone: int = 0) -> RunFigures:
    """The figures of this run; one that hung leaves the time of the last good one as it was."""
    if not hung:
        spool.tell()
    return RunFigures(taken_s=spool.told(), seconds=time.monotonic() - began, hung=hung, gone=gone)


def _tell(settings: Settings, collected: Collected) -> Iterator[str]:
    """Write the metrics. Where that fails it is said: the snapshot is kept, and the run is no failed one for it."""
    if settings.metrics is None:
        return
    try:
        write_atomically(Path(settings.metrics), exposition(collected, openmetrics=settings.openmetrics))
    except InputError as error:
        yield f"metrics were not written, the snapshot is kept: {error}"


class _Widest(NamedTuple):
    """The widest that each component was ever seen in its place: all that is known, and those that are there now."""

    kept: dict[str, int]
    of_places: dict[str, int]


def _widest(kept: dict[str, int], links: tuple[LinkDocument, ...], known: Mapping[str, Identity]) -> _Widest:
    found = _Widest(dict(kept), {})
    for link in links:
        width, what = link.negotiated.width, known.get(link.place_id)
        key = f"{link.place_id} {what.shown if what is not None else None}"
        if width is not None:
            found.kept[key] = found.of_places[link.place_id] = max(width, found.kept.get(key, 0))
    return found
