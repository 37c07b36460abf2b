"""What a journal comes to: each step, each link, the whole, and what was not tested. Pure; the only judge there is.

A step that could not be done or measured is inconclusive; what is not read never passes.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import pairwise

from probe.counted import counted
from probe.exceptions import DocumentError
from probe.qualify.course import Turn, turns
from probe.qualify.document import CommandEnd, Judged, Part, StepOutcome
from probe.qualify.entries import Begun, Commanded, Done, Entry, PartBegun, Stopped, TurnBegun, TurnEnded
from probe.qualify.evidence_of import seen_of
from probe.qualify.firmware_changes import firmware_changes
from probe.qualify.found import Found
from probe.qualify.judging_steps import found_of
from probe.qualify.link_results import link_results
from probe.qualify.plan import Plan, kind_of
from probe.qualify.plan_file import read_plan
from probe.qualify.soaks_of import bands, confidences
from probe.qualify.untested import not_tested
from probe.qualify.wording import asked_of, limit_of
from probe.result import Result, overall

_OUTPUT_LINES = 12
_TOLD = 5
_METHOD = (
    """Links are read through the kernel; their states and error counters are its own. Errors are counted as a Poisson
    process, bounds of ratios are Garwood's; shares of trainings have exact binomial bounds; both at 95 %.""",
    """A step that could not be done or measured is inconclusive, and the whole passes only where every step has passed.
    What was not tested is listed with the reason.""",
)


def judged(entries: Sequence[Entry]) -> Judged:
    """The judgement of a journal. Raises TypeError where it does not begin with its head and its first part."""
    begun, parts = entries[0], [entry for entry in entries if isinstance(entry, PartBegun)]
    if not isinstance(begun, Begun) or not parts:
        raise TypeError("a journal begins with its head and its first part")
    plan = plan_of(begun)
    ends = [entry for entry in entries if isinstance(entry, Done)]
    steps = tuple(outcome(turn, plan, entries) for turn in turns(plan))
    links = link_results(parts[0].snapshot, steps)
    names = {step.number: step.name for step in steps}
    last = _last_at(entries)
    result = overall(step.result for step in steps)
    return Judged(
        title=plan.title or "Qualification",
        result=result,
        urgent=any(step.urgent for step in steps),
        complete=bool(ends) and ends[-1].stopped_at is None,
        reasons=tuple(_reasons(result, steps, ends[-1] if ends else None)),
        asked=plan.asked,
        fields=begun.fields,
        accepted=begun.accepted,
        began_at=parts[0].at,
        ended_at=last,
        seconds=sum(step.seconds or 0.0 for step in steps),
        host=parts[-1].host,
        firmware=parts[0].firmware,
        firmware_changes=tuple(firmware_changes(parts)),
        parts=tuple(_parts(entries)),
        steps=steps,
        links=links,
        not_tested=tuple(not_tested(parts[0].snapshot, steps, links)),
        confidence=confidences(entries),
        bands=tuple(bands(entries, names)),
        commands=tuple(_commands(entries, names)),
        method=tuple(" ".join(text.split()) for text in _METHOD),
        notes=tuple(_notes(parts, entries)),
    )


def plan_of(begun: Begun) -> Plan:
    """The plan of a journal, checked when it began. Raises DocumentError where this version cannot read it."""
    reading = read_plan(begun.plan.encode())
    if reading.plan is None:
        what, remedy = f"cannot be read ({reading.faults[0].what})", "judge it with the version that wrote it"
        raise DocumentError(what, where="the plan of the journal", remedy=remedy)
    return reading.plan


def outcome(turn: Turn, plan: Plan, entries: Sequence[Entry]) -> StepOutcome:
    """How one turn ended."""
    seen = seen_of(turn, plan, entries)
    found = found_of(seen)
    ended = seen.ended
    hot = plan.hottest_at(turn.step)
    hottest = _hottest(found, ended)
    if hot is not None:
        found = _held_to_heat(found, hottest, hot)
    return StepOutcome(
        number=turn.number, name=turn.name, kind=kind_of(turn.step), asked=asked_of(turn.step),
        limit=limit_of(turn.step, hot), result=found.result, urgent=found.urgent, reasons=found.reasons,
        links=found.links, shows=found.shows, began_at=seen.began_at, seconds=seen.seconds, hottest_c=hottest,
        times_begun=seen.times, evidence_lines=(*seen.lines, *found.lines),
    )  # fmt: skip


def _hottest(found: Found, ended: TurnEnded | None) -> float | None:
    known = [value for value in (found.hottest_c, None if ended is None else ended.hottest_c) if value is not None]
    return max(known, default=None)


def _held_to_heat(found: Found, hottest: float | None, limit: float) -> Found:
    if hottest is None:
        told = f"no temperature was read, where {limit:g} C is the limit"
        doubt = Result.INCONCLUSIVE if found.result is Result.PASSED else found.result
        return found.but(result=doubt, reasons=(*found.reasons, told))
    if hottest < limit:
        return found
    told = f"{hottest:g} C was reached, where {limit:g} C is the limit"
    return found.but(result=Result.FAILED, reasons=(told, *found.reasons))


def _reasons(result: Result, steps: Sequence[StepOutcome], end: Done | None) -> Iterator[str]:
    if end is None:
        yield "the plan has not come to its end"
    elif end.stopped_at is not None:
        yield end.why
    if result is Result.PASSED:
        yield f"all {len(steps)} steps passed"
    for step in steps:
        if step.result is not Result.PASSED and step.times_begun:
            yield from _told(step)
    waiting = sum(1 for step in steps if not step.times_begun)
    if waiting:
        yield f"{waiting} of {len(steps)} steps were not begun"


def _told(step: StepOutcome) -> Iterator[str]:
    """Why a step did not pass, in as many sentences as a head has room for; all of them stand beside the step."""
    name = f"{step.name} {'is ' if step.result is Result.INCONCLUSIVE else ''}{step.result}"
    yield from (f"{name}: {reason}" for reason in step.reasons[:_TOLD] or ("no reason is known",))
    if len(step.reasons) > _TOLD:
        yield f"{name}: and {counted(len(step.reasons) - _TOLD, 'reason')} more"


def _commands(entries: Sequence[Entry], names: Mapping[int, str]) -> Iterator[CommandEnd]:
    for entry in entries:
        if isinstance(entry, Commanded):
            lines = tuple(entry.output.splitlines()[-_OUTPUT_LINES:])
            step = names.get(entry.turn, "")
            yield CommandEnd(step=step, status=entry.status, failure=entry.failure, lines=lines)


def _parts(entries: Sequence[Entry]) -> Iterator[Part]:
    begins = [number for number, entry in enumerate(entries) if isinstance(entry, PartBegun)]
    for number, (start, end) in enumerate(zip(begins, [*begins[1:], len(entries)], strict=True), start=1):
        head = entries[start]
        if isinstance(head, PartBegun):
            yield Part(
                number=number, began_at=head.at, last_at=_last_at(entries[start:end]), cause=head.cause,
                boot_id=head.host.boot_id, kernel=head.host.kernel,
            )  # fmt: skip


def _last_at(entries: Sequence[Entry]) -> str:
    moments = [entry.at for entry in entries if isinstance(entry, PartBegun | TurnBegun | TurnEnded | Stopped | Done)]
    return moments[-1] if moments else ""


def _notes(parts: Sequence[PartBegun], entries: Sequence[Entry]) -> Iterator[str]:
    if len(parts) > 1:
        yield f"It ran in {len(parts)} parts: the hours of a soak and of the whole are sums over them."
    kernels = dict.fromkeys(part.host.kernel for part in parts)
    if len(kernels) > 1:
        yield f"The kernel was another in later parts: {', '.join(str(name) for name in kernels)}."
    for before, after in pairwise(entries):
        if isinstance(after, PartBegun) and isinstance(before, Stopped):
            yield f"A part was ended by {before.signal} at {before.at}."
    if _backwards(parts):
        yield "The clock was set back between two parts: their times of day are not in order."


def _backwards(parts: Sequence[PartBegun]) -> bool:
    try:
        moments = [datetime.fromisoformat(part.at) for part in parts]
    except ValueError:
        return False
    return any(later < earlier for earlier, later in pairwise(moments))
