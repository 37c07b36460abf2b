"""A journal made into a record: how it ended, how each link did, what was carried, and the verdict. Pure.

Works for a journal that a crash cut off: what is missing is said, and what is there is judged.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from collections.abc import Set as AbstractSet

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.compare.changes import Change
from probe.compare.diff import diff
from probe.errors.attribution import ErrorFinding, findings
from probe.errors.counts import summed
from probe.evidence import Host
from probe.exit_status import ExitStatus
from probe.links.state import LinkState
from probe.loads.results import Mismatch
from probe.observe.events import LOST, TRANSITIONS, CountedErrors, LinkEvent
from probe.registers.errors import Severity
from probe.result import Result, overall, status_of_result
from probe.schemas import Schema
from probe.soak.at_least import held_to_share, slowest_share
from probe.soak.circumstances import Run
from probe.soak.journal import Entry, LoadEnded, Start
from probe.soak.judging import LinkHistory, counts_errors, falls_short, judged, under_load
from probe.soak.own_reasons import OwnReasons, own_reasons
from probe.soak.scope import Scope, scope
from probe.soak.seen import Seen
from probe.soak.tally import LinkTally
from probe.soak.throughput import Throughput, throughputs
from probe.soak.together import Together, together
from probe.verdict.next_steps import steps_after_load
from probe.verdict.verdicts import Verdict


class LinkOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """One link over the whole time.

    `loaded_s` are the seconds under load from the baseline on, `below_s` those of them below what both ends can do.
    `slowest_share` is the least share of its ceiling that loads measured one way.
    """

    place_id: str = msgspec.field(name="place")
    title: str
    before: Verdict
    under_load: Verdict
    best: LinkState
    worst: LinkState
    transitions: int
    seconds_in: dict[str, float]
    errors: tuple[ErrorFinding, ...]
    errors_before_baseline: int
    hottest_c: float | None
    failed: tuple[str, ...]
    urgent: bool = False
    loaded: bool | None = None
    result: Result = Result.INCONCLUSIVE
    reasons: tuple[str, ...] = ()
    loaded_s: float = 0.0
    below_s: float = 0.0
    next_steps: tuple[str, ...] = ()
    errors_counted: bool | None = None
    slowest_share: float | None = None


class Record(msgspec.Struct, frozen=True, kw_only=True):
    """The whole of a soak, judged. `own_reasons` are those of `reasons` that belong to no single link."""

    schema: str = Schema.RECORD
    verdict: str
    result: Result = Result.INCONCLUSIVE
    reasons: tuple[str, ...]
    urgent: bool
    host: str | None
    started_at: str
    elapsed_s: float
    planned_s: float
    ended: str
    complete: bool
    samples: int
    loads: tuple[str, ...]
    notes: tuple[str, ...]
    links: tuple[LinkOutcome, ...]
    throughput: tuple[Throughput, ...] = msgspec.field(name="carriage")
    together: tuple[Together, ...] = ()
    events: tuple[LinkEvent, ...]
    mismatches: tuple[Mismatch, ...]
    load_results: tuple[LoadEnded, ...]
    changes: tuple[Change, ...]
    own_reasons: tuple[str, ...] = ()
    scope: Scope | None = None


def record(recorded: Iterable[Entry], *, here: Host | None = None) -> Record:
    """The record of these entries, which are gone through twice. `here` is the host that asks.

    On the host of the run, a crash is told from an end.
    """
    run = Run.of(recorded)
    seen = Seen(run)
    for entry in recorded:
        seen.take(entry)
    sums = together(seen.fine_passes, run.all_links, seen.sums, run.start.rate_bytes_s)
    by_place = {link.place_id: link for link in run.all_links}
    measured = throughputs(seen.measured, by_place, sums, run.start.rate_bytes_s)
    carried = held_to_share(measured, by_place, sums, run.start.at_least)
    outcomes = tuple(_outcome(link, seen, carried) for link in run.watched.values())
    changes = _changes(run)
    own = own_reasons(seen, changes, carried)
    result = _whole(run.start, outcomes, seen.driven, own)
    urgent = any(item.urgent for item in outcomes) or any(change.urgent for change in changes)
    return Record(
        verdict=result,
        result=result,
        reasons=_reasons(result, outcomes, own),
        urgent=urgent,
        host=run.start.snapshot.evidence.host.name,
        started_at=run.start.snapshot.evidence.host.taken_at,
        elapsed_s=run.elapsed_s,
        planned_s=run.start.planned_s,
        ended=_ended(run, here),
        complete=run.end is not None and run.end.complete,
        samples=seen.samples,
        loads=run.start.loads,
        notes=run.start.notes,
        links=outcomes,
        throughput=carried,
        together=sums,
        events=tuple(seen.told),
        mismatches=tuple(seen.mismatches),
        load_results=tuple(seen.ended),
        changes=changes,
        own_reasons=_own_reasons(result, outcomes, own),
        scope=scope(
            run.start, run.end, run.all_links, seen.kinds_of_passes, {item.place_id: item.loaded for item in outcomes}
        ),
    )


def exit_status(document: Record) -> ExitStatus:
    """2 if urgent, 1 if it failed, 3 if inconclusive, else 0."""
    return status_of_result(document.result, urgent=document.urgent)


def _whole(start: Start, outcomes: Sequence[LinkOutcome], driven: AbstractSet[str], own: OwnReasons) -> Result:
    """The worst of the links that were asked for: named, driven or covered; else those under load by evidence."""
    if own.failed or any(item.result is Result.FAILED for item in outcomes):
        return Result.FAILED
    asked = {*start.asked, *start.covers, *driven}
    chosen = [item for item in outcomes if (item.place_id in asked if asked else item.loaded)]
    doubted = [Result.INCONCLUSIVE] if own.doubts else []
    return overall([*(item.result for item in chosen), *doubted])


def _reasons(result: Result, outcomes: Sequence[LinkOutcome], own: OwnReasons) -> tuple[str, ...]:
    if result is Result.PASSED:
        return ("every link that was asked for ran at its best under load, without a finding",)
    worst_first = sorted(outcomes, key=lambda item: not item.urgent)
    told = [f"{item.title}: {text}" for item in worst_first if item.result is result for text in item.reasons]
    return tuple(dict.fromkeys((*_own_reasons(result, outcomes, own), *told)))


def _own_reasons(result: Result, outcomes: Sequence[LinkOutcome], own: OwnReasons) -> tuple[str, ...]:
    """Those of the whole that are of no single link."""
    if result is not Result.INCONCLUSIVE:
        return own.failed
    return own.doubts if any(item.loaded for item in outcomes) else ("no link was under load", *own.doubts)


def _ended(run: Run, here: Host | None) -> str:
    """How it ended; where no end was recorded, what the boot of the same host says of it."""
    if run.end is not None:
        return run.end.why
    there = run.start.snapshot.evidence.host
    last = f"after the last sample, {run.elapsed_s:.0f} s in"
    if here is None or None in {here.machine_id, there.machine_id, here.boot_id, there.boot_id}:
        return f"the program was ended or killed, or the host went down, {last}"
    if here.machine_id != there.machine_id:
        return f"the program was ended or killed, or the host went down, {last}; that was another host than this one"
    if here.boot_id != there.boot_id:
        return f"the host went down {last}, and was started anew since"
    return f"the program was ended or killed {last}"


def _changes(run: Run) -> tuple[Change, ...]:
    """What the snapshots before and after differ in; errors are told by the samples, so not again."""
    if run.end is None or run.end.snapshot is None:
        return ()
    compared = diff(run.start.snapshot, run.end.snapshot)
    return tuple(change for change in compared.changes if change.kind not in {"errors", "speed", "verdict"})


def _outcome(link: LinkDocument, seen: Seen, carried: Sequence[Throughput]) -> LinkOutcome:
    place_id, baseline_s = link.place_id, seen.run.baseline_s
    tally, errors, events = seen.tallies[place_id], seen.errors[place_id], seen.events[place_id]
    counted = findings(summed(entry.counted for entry in errors if _counts(entry, baseline_s)))
    loaded = seen.loaded(link)
    word = _under_load(link, tally.best, loaded=bool(loaded))
    found = judged(
        LinkHistory(
            run=seen.run, link=link, tally=tally, errors=errors, events=events, word=word, loaded=loaded,
            carried=[item for item in carried if place_id in {item.place_id, item.peer_place_id}],
        )
    )  # fmt: skip
    under = under_load(link, tally.times())
    return LinkOutcome(
        place_id=place_id,
        title=title(link),
        before=link.verdict,
        under_load=word,
        best=tally.best,
        worst=tally.worst,
        transitions=sum(event.times for event in events if event.kind in TRANSITIONS),
        seconds_in=_seconds_in(tally),
        errors=counted,
        errors_before_baseline=sum(entry.count for entry in errors if not _counts(entry, baseline_s)),
        hottest_c=tally.hottest_c,
        failed=found.failed,
        urgent=_is_urgent(counted, events),
        loaded=loaded,
        loaded_s=round(under.seconds, 3),
        below_s=round(sum(under.below.values()), 3),
        result=found.result,
        reasons=found.failed or found.doubts or ("ran at its best under load, without a finding",),
        errors_counted=counts_errors(link),
        slowest_share=slowest_share(carried, place_id),
        next_steps=steps_after_load(
            lost=any(event.kind in LOST for event in events),
            below=bool(found.failed) and (tally.best != tally.worst or word.below_capability),
            counted=bool(found.failed) and bool(counted),
            changed=any(item.place_id == place_id for item in seen.mismatches),
        ),
    )


def _counts(entry: CountedErrors, baseline: float) -> bool:
    """Correctable errors count from the moment of working speed on; uncorrectable ones from the first."""
    return entry.t >= baseline or entry.severity is not Severity.CORRECTABLE


def _is_urgent(counted: Sequence[ErrorFinding], events: Sequence[LinkEvent]) -> bool:
    uncorrectable = any(item.severity is not Severity.CORRECTABLE for item in counted)
    return uncorrectable or any(event.kind in LOST for event in events)


def _seconds_in(tally: LinkTally) -> dict[str, float]:
    """Time in each state. A span thinned by an older version that saw several states is told as such."""
    found: dict[str, float] = defaultdict(float)
    for item in tally.times():
        known = None not in {item.speed_gts, item.width}
        found[str(LinkState(item.speed_gts, item.width)) if known else "down or not read"] += item.seconds
    if tally.several_s:
        found["several states"] = tally.several_s
    return {state: round(seconds, 3) for state, seconds in found.items()}


def _under_load(link: LinkDocument, best: LinkState, *, loaded: bool) -> Verdict:
    """The verdict by the best state seen: a link that rested resolves here, if it was loaded."""
    possible = link.possible
    if None in {best.speed_gts, best.width, possible.speed_gts, possible.width}:
        return link.verdict
    if not any(falls_short(best, link)):
        return link.verdict if link.verdict is Verdict.LIMITED else Verdict.FULL
    if link.verdict is Verdict.RESTING and not loaded:
        return Verdict.RESTING
    return link.verdict if link.verdict in {Verdict.CAPPED, Verdict.UNJUDGED} else Verdict.DOWNTRAINED
