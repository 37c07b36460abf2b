"""A page of a soak: what is signed. The verdict with its reasons, each link, its course, what it all rests on."""

from collections.abc import Callable, Iterator, Sequence

from probe.audit.document import LinkDocument
from probe.audit.snapshot import Snapshot, judged_links
from probe.counted import counted
from probe.documents.record_file import RecordFile
from probe.evidence import Host
from probe.render import styles
from probe.render.html import sections
from probe.render.html.page import Page, Section
from probe.render.html.record_course import events, over_time
from probe.render.html.record_results import carried, outcomes, steps, together, worst_first
from probe.render.html.record_scope import before_and_after, counting, limits, not_tested
from probe.render.html.tree_picture import Look, tree_pictures
from probe.result import Result
from probe.soak.journal import End, Entry, Start
from probe.soak.record import LinkOutcome, Record
from probe.verdict.next_steps import CAUTIONS, HOT
from probe.verdict.verdicts import Verdict

_MOST_REASONS = 12


def render(document: Record, entries: Sequence[Entry], source: RecordFile) -> Page:
    """The page."""
    start = next((entry for entry in entries if isinstance(entry, Start)), None)
    host = Host(taken_at="") if start is None else start.snapshot.evidence.host
    before = () if start is None else judged_links(start.snapshot)
    return Page(
        title=f"Load record of {document.host or 'a machine'}",
        verdict=document.result,
        colour=styles.PAGE_RESULTS[document.result],
        reasons=tuple(_reasons(document)),
        tree=tree_pictures(before, host.sockets, _look(document)),
        sections=tuple(_sections(document, entries, source, before, host)),
        signed=document.result is not Result.INCONCLUSIVE,
        unsigned=_UNSIGNED if document.result is Result.INCONCLUSIVE else None,
        footer=f"Record {source.name}",
        safety=f"{HOT} {CAUTIONS}" if document.result is Result.FAILED else CAUTIONS,
    )


_UNSIGNED = (
    "There is no place to sign here, for the run is inconclusive: it shows neither that the links are well nor that"
    " they are not. The reasons stand at the top."
)


def _reasons(document: Record) -> Iterator[str]:
    """As many as can be read; all of them stand beside their links."""
    yield from document.reasons[:_MOST_REASONS]
    rest = len(document.reasons) - _MOST_REASONS
    if rest > 0:
        yield f"and {counted(rest, 'reason')} more, beside their links"


def _sections(
    document: Record, entries: Sequence[Entry], source: RecordFile, before: Sequence[LinkDocument], host: Host
) -> Iterator[Section]:
    listed = sorted(document.links, key=worst_first)
    by_place = {link.place_id: link for link in before}
    yield outcomes(listed, by_place)
    yield from steps(listed)
    yield carried(document)
    yield from together(document)
    yield over_time(document, listed, entries, by_place)
    yield events(document, entries)
    yield limits(document, source)
    yield counting(document)
    yield not_tested(document)
    yield from before_and_after(document, before, _after(entries))
    yield sections.environment(host)


def _after(entries: Sequence[Entry]) -> tuple[LinkDocument, ...] | None:
    """The links of the snapshot after; None where there is none."""
    taken: Snapshot | None = next((entry.snapshot for entry in entries if isinstance(entry, End)), None)
    return None if taken is None else judged_links(taken)


def _look(document: Record) -> Callable[[LinkDocument], Look]:
    """The look of each link by what this run says of it."""
    found: dict[str, LinkOutcome] = {outcome.place_id: outcome for outcome in document.links}

    def look(link: LinkDocument) -> Look:
        outcome = found.get(link.place_id)
        if outcome is None:
            words = link.verdict if link.verdict is Verdict.EMPTY else "not tested"
            return Look(words, styles.NOT_TESTED)
        worst = outcome.worst
        state = "" if None in {worst.speed_gts, worst.width} else f", {worst}"
        return Look(f"{outcome.result}{state}", styles.RESULT_STROKES[outcome.result])

    return look
