"""A journal made into a record: how it ended, how each link did, what was carried, and the verdict. Pure.

Works for a journal that a crash cut off: what is missing is said, and what is there is judged.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.audit.snapshot import judged_links
from probe.compare.changes import Change
from probe.compare.diff import diff
from probe.compare.rank import Rank
from probe.counted import counted
from probe.errors.attribution import ErrorFinding, findings
from probe.errors.counts import summed
from probe.evidence import Host
from probe.exit_status import ExitStatus
from probe.links.state import LinkState
from probe.loads.results import Mismatch, Pass
from probe.observe.events import LOST, TRANSITIONS, CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.result import Result, overall, status_of_result
from probe.schemas import Schema
from probe.soak.journal import Damaged, End, Entry, Gap, LoadEnded, Sample, Spread, Start, Thinned, moment
from probe.soak.judging import LinkHistory, Run, judged
from probe.soak.scope import Scope, scope
from probe.soak.throughput import Throughput, throughputs
from probe.soak.together import Together, together
from probe.soak.under_load import loaded
from probe.verdict.next_steps import steps_after_load
from probe.verdict.words import Verdict


class LinkOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """One link over the whole time."""

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
    next_steps: tuple[str, ...] = ()
    errors_counted: bool | None = None


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
    """The record of these entries. `here` is the host that asks: on the same one, a crash is told from an end."""
    entries = list(recorded)
    run = Run.of(entries)
    start, end = run.start, run.end
    all_links = judged_links(start.snapshot)
    links = {link.place_id: link for link in all_links if link.place_id in start.place_ids}
    sampled = [entry for entry in entries if isinstance(entry, Sample | Thinned)]
    passes = [entry for entry in entries if isinstance(entry, Pass)]
    outcomes = tuple(_outcome(link, run, entries, sampled) for link in links.values())
    mismatches = tuple(entry for entry in entries if isinstance(entry, Mismatch))
    results = tuple(entry for entry in entries if isinstance(entry, LoadEnded))
    sums = together(passes, all_links)
    carried = throughputs(passes, {link.place_id: link for link in all_links}, sums, start.rate_bytes_s)
    changes = _changes(start, end)
    failures = tuple(_failures(mismatches, results, changes))
    result = _whole(start, outcomes, passes, failed=bool(failures))
    urgent = any(item.urgent for item in outcomes) or any(change.urgent for change in changes)
    return Record(
        verdict=result,
        result=result,
        reasons=_reasons(result, outcomes, failures),
        urgent=urgent,
        host=start.snapshot.evidence.host.name,
        started_at=start.snapshot.evidence.host.taken_at,
        elapsed_s=run.elapsed_s,
        planned_s=start.planned_s,
        ended=_ended(run, here),
        complete=end is not None and end.complete,
        samples=sum(entry.samples if isinstance(entry, Thinned) else 1 for entry in sampled),
        loads=start.loads,
        notes=start.notes,
        links=outcomes,
        throughput=carried,
        together=sums,
        events=tuple(_told(entry) for entry in entries if isinstance(entry, LinkEvent | Gap | Damaged)),
        mismatches=mismatches,
        load_results=results,
        changes=changes,
        own_reasons=_own_reasons(result, outcomes, failures),
        scope=scope(start, end, all_links, passes),
    )


def exit_status(document: Record) -> ExitStatus:
    """2 if urgent, 1 if it failed, 3 if inconclusive, else 0."""
    return status_of_result(document.result, urgent=document.urgent)


def _whole(start: Start, outcomes: Sequence[LinkOutcome], passes: Sequence[Pass], *, failed: bool) -> Result:
    """The worst of the links that were asked for: named, driven or covered; else those under load by evidence."""
    if failed or any(item.result is Result.FAILED for item in outcomes):
        return Result.FAILED
    asked = {*start.asked, *start.covers, *(place_id for item in passes for place_id in item.places)}
    chosen = [item for item in outcomes if (item.place_id in asked if asked else item.loaded)]
    return overall(item.result for item in chosen)


def _reasons(result: Result, outcomes: Sequence[LinkOutcome], failures: Sequence[str]) -> tuple[str, ...]:
    if result is Result.PASSED:
        return ("every link that was asked for ran at its best under load, without a finding",)
    told = [f"{item.title}: {text}" for item in outcomes if item.result is result for text in item.reasons]
    return tuple(dict.fromkeys((*_own_reasons(result, outcomes, failures), *told)))


def _own_reasons(result: Result, outcomes: Sequence[LinkOutcome], failures: Sequence[str]) -> tuple[str, ...]:
    """Those of the whole that are of no single link."""
    if result is Result.INCONCLUSIVE and not any(item.loaded for item in outcomes):
        return ("no link was under load",)
    return tuple(dict.fromkeys(failures))


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


def _told(entry: LinkEvent | Gap | Damaged) -> LinkEvent:
    """What happened to a link or to the record itself, as an event."""
    match entry:
        case LinkEvent():
            return entry
        case Gap(t=t, since=since, why=why):
            sentence = f"no samples from {since:.0f} to {t:.0f} s: {why}"
        case Damaged(t=t, line=line):
            sentence = f"line {line} of the record cannot be read; what it held is not known"
    return LinkEvent(t=t, place_id="", kind=LinkEventKind.NOT_WATCHED, sentence=sentence)


def _changes(start: Start, end: End | None) -> tuple[Change, ...]:
    """What the snapshots before and after differ in; errors are told by the samples, so not again."""
    if end is None or end.snapshot is None:
        return ()
    compared = diff(start.snapshot, end.snapshot)
    return tuple(change for change in compared.changes if change.kind not in {"errors", "speed", "verdict"})


def _outcome(
    link: LinkDocument, run: Run, entries: Sequence[Entry], sampled: Sequence[Sample | Thinned]
) -> LinkOutcome:
    place_id = link.place_id
    states = list(_states(place_id, sampled))
    best = LinkState(_extreme(states, 0, best=True), _width(_extreme(states, 1, best=True)))
    worst = LinkState(_extreme(states, 0, best=False), _width(_extreme(states, 1, best=False)))
    errors = [entry for entry in entries if isinstance(entry, CountedErrors) and entry.place_id == place_id]
    counted = findings(summed(entry.counted for entry in errors if _counts(entry, run.baseline_s)))
    events = [entry for entry in entries if isinstance(entry, LinkEvent) and entry.place_id == place_id]
    passes = [entry for entry in entries if isinstance(entry, Pass) and place_id in entry.places]
    under = loaded(link, run.start, passes, sampled)
    history = LinkHistory(
        run=run, link=link, sampled=sampled, passes=passes, errors=errors, events=events, best=best,
        word=_under_load(link, best, loaded=bool(under)), loaded=under,
    )  # fmt: skip
    found = judged(history)
    hot = [value for value in (_hottest(place_id, sample) for sample in sampled) if value is not None]
    return LinkOutcome(
        place_id=place_id,
        title=title(link),
        before=link.verdict,
        under_load=history.word,
        best=best,
        worst=worst,
        transitions=sum(event.kind in TRANSITIONS for event in events),
        seconds_in=_seconds_in(place_id, sampled),
        errors=counted,
        errors_before_baseline=sum(entry.count for entry in errors if not _counts(entry, run.baseline_s)),
        hottest_c=max(hot, default=None),
        failed=found.failed,
        urgent=_is_urgent(counted, events),
        loaded=under,
        result=found.result,
        reasons=found.failed or found.doubts or ("ran at its best under load, without a finding",),
        errors_counted=any(total is not None for total in msgspec.structs.astuple(link.errors)),
        next_steps=steps_after_load(
            lost=any(event.kind in LOST for event in events),
            below=bool(found.failed) and (best != worst or history.word.below_capability),
            counted=bool(found.failed) and bool(counted),
            changed=any(isinstance(entry, Mismatch) and entry.place_id == place_id for entry in entries),
        ),
    )


def _counts(entry: CountedErrors, baseline: float) -> bool:
    """Correctable errors count from the moment of working speed on; uncorrectable ones from the first."""
    return entry.t >= baseline or entry.severity is not Severity.CORRECTABLE


def _is_urgent(counted: Sequence[ErrorFinding], events: Sequence[LinkEvent]) -> bool:
    uncorrectable = any(item.severity is not Severity.CORRECTABLE for item in counted)
    return uncorrectable or any(event.kind in LOST for event in events)


def _states(place_id: str, sampled: Iterable[Sample | Thinned]) -> Iterable[tuple[Spread | None, Spread | None]]:
    for sample in sampled:
        if place_id not in sample.links:
            continue
        if isinstance(sample, Thinned):
            yield sample.links[place_id][0], sample.links[place_id][1]
        else:
            seen = sample.links[place_id]
            yield _single(seen.speed_gts), _single(seen.width)


def _seconds_in(place_id: str, sampled: Sequence[Sample | Thinned]) -> dict[str, float]:
    """Time in each state. A thinned span that saw several states is told as such."""
    found: dict[str, float] = defaultdict(float)
    ends = [*(entry.t for entry in sampled[1:]), *(moment(entry) for entry in sampled[-1:])]
    for entry, until in zip(sampled, ends, strict=True):
        if place_id not in entry.links:
            continue
        ((speed, width),) = _states(place_id, [entry])
        if speed is None or width is None:
            state = "down or not read"
        elif speed.least == speed.most and width.least == width.most:
            state = str(LinkState(speed.most, int(width.most)))
        else:
            state = "several states"
        found[state] += until - entry.t
    return {state: round(seconds, 3) for state, seconds in found.items()}


def _single(value: float | None) -> Spread | None:
    return None if value is None else Spread(value, value, value)


def _extreme(states: Sequence[tuple[Spread | None, Spread | None]], index: int, *, best: bool) -> float | None:
    values = [state[index] for state in states]
    known = [spread.most if best else spread.least for spread in values if spread is not None]
    if not known:
        return None
    return max(known) if best else min(known)


def _width(value: float | None) -> int | None:
    return None if value is None else int(value)


def _hottest(place_id: str, sample: Sample | Thinned) -> float | None:
    if place_id not in sample.links:
        return None
    if isinstance(sample, Thinned):
        spread = sample.links[place_id][4]
        return None if spread is None else spread.most
    return sample.links[place_id].temperature_c


def _under_load(link: LinkDocument, best: LinkState, *, loaded: bool) -> Verdict:
    """The verdict by the best state seen: a link that rested resolves here, if it was loaded."""
    possible = link.possible
    if None in {best.speed_gts, best.width, possible.speed_gts, possible.width}:
        return link.verdict
    reached = (best.speed_gts or 0) >= (possible.speed_gts or 0) and (best.width or 0) >= (possible.width or 0)
    if reached:
        return link.verdict if link.verdict is Verdict.LIMITED else Verdict.FULL
    if link.verdict is Verdict.RESTING and not loaded:
        return Verdict.RESTING
    return link.verdict if link.verdict in {Verdict.CAPPED, Verdict.UNJUDGED} else Verdict.DOWNTRAINED


def _failures(mismatches: Sequence[Mismatch], results: Sequence[LoadEnded], changes: Sequence[Change]) -> Iterable[str]:
    """What fails the whole beside its links."""
    yield from _differences(mismatches)
    for result in results:
        if result.failure is not None:
            yield f"load {result.load}: {result.failure}"
        elif result.status:
            yield f"load {result.load} ended with status {result.status}"
    yield from (f"{change.place}: {change.sentence}" for change in changes if change.rank is Rank.WORSE)


def _differences(mismatches: Sequence[Mismatch]) -> Iterable[str]:
    by_target: dict[str, list[Mismatch]] = defaultdict(list)
    for mismatch in mismatches:
        by_target[mismatch.target].append(mismatch)
    for target, found in by_target.items():
        times = sum(mismatch.times for mismatch in found)
        where = f"first at offset {found[0].offset} ({counted(found[0].bits, 'bit')})"
        yield f"{target}: data came back changed, {counted(times, 'time')}, {where}"
