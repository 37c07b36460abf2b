"""How one step ended: a question a kind of step, over what the journal holds of it. Pure."""

from collections.abc import Callable

from probe.audit.audit import audit
from probe.audit.choosing import chosen
from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.audit.snapshot import Snapshot
from probe.audit.verdict_headline import headline
from probe.compare.changes import exit_status
from probe.compare.diff import diff
from probe.compare.expectation_file import parse
from probe.compare.expectations import deviations
from probe.compare.rank import Rank
from probe.counted import counted
from probe.errors.limits import Limit, Limits
from probe.exceptions import InputError, LinkprobeError
from probe.exit_status import ExitStatus
from probe.qualify.document import StepLink
from probe.qualify.entries import Begun, Commanded, NotDone, SoakPart, Taken
from probe.qualify.evidence_of import Seen
from probe.qualify.found import Found, step_link, unknown
from probe.qualify.judging_tests import margins, speeds, trainings
from probe.qualify.plan import (
    CommandStep,
    ComparisonStep,
    ExpectationsStep,
    MarginsStep,
    RebootStep,
    SnapshotStep,
    SoakStep,
    SpeedsStep,
    Step,
    TrainingsStep,
)
from probe.qualify.soak_parts import soaked, watched
from probe.result import Result, overall
from probe.verdict.verdicts import Verdict


def found_of(seen: Seen) -> Found:
    """How the step of a turn ended."""
    if not seen.times:
        return unknown("it was not begun")
    if seen.not_put_back:
        return Found(result=Result.FAILED, urgent=True, reasons=seen.not_put_back)
    undone = next((entry.why for entry in seen.measured if isinstance(entry, NotDone)), None)
    if undone is not None:
        return unknown(undone)
    if seen.ended is None:
        return unknown("it did not come to its end")
    return _JUDGES[type(seen.turn.step)](seen)


def _taken(seen: Seen) -> Snapshot | None:
    return next((entry.snapshot for entry in seen.measured if isinstance(entry, Taken)), None)


def _snapshot(seen: Seen) -> Found:
    taken, step = _taken(seen), seen.turn.step
    if taken is None or not isinstance(step, SnapshotStep):
        return unknown("no snapshot was taken")
    if not step.judged:
        return Found(
            result=Result.PASSED, reasons=(f"taken, {counted(len(taken.links), 'link')}; not judged by itself",)
        )
    try:
        links = chosen(audit(taken.evidence).links, step.links)
    except InputError as error:
        return unknown(str(error))
    told = tuple(_audited(link) for link in links if link.verdict is not Verdict.RESTING)
    resting = [title(link) for link in links if link.verdict is Verdict.RESTING]
    reasons = [f"{link.title}: {link.reasons[0]}" for link in told if link.result is not Result.PASSED]
    reasons += [f"{name}: at rest, so only a load can tell" for name in resting]
    return Found(
        result=overall(link.result for link in told), urgent=any(link.urgent for link in links), links=told,
        reasons=tuple(reasons) or (f"none of {counted(len(told), 'link')} is below what it can do",),
    )  # fmt: skip


def _audited(link: LinkDocument) -> StepLink:
    unknown = link.verdict is Verdict.UNJUDGED
    result = Result.FAILED if link.alarming or link.urgent else Result.INCONCLUSIVE if unknown else Result.PASSED
    return step_link(link, result, (headline(link),))


def _expectations(seen: Seen) -> Found:
    taken, step = _taken(seen), seen.turn.step
    begun = seen.before[0]
    if taken is None or not isinstance(step, ExpectationsStep) or not isinstance(begun, Begun):
        return unknown("the machine was not read")
    text = begun.files.get(step.file)
    if text is None:
        return unknown(f"{step.file} is not in the journal")
    try:
        found = deviations(parse(text.encode(), step.file), audit(taken.evidence))
    except LinkprobeError as error:
        return unknown(str(error))
    broken = [item for item in found if not item.undecided]
    result = Result.FAILED if broken else Result.INCONCLUSIVE if found else Result.PASSED
    told = tuple(f"{item.place or item.rule}: {item.sentence}" for item in found)
    return Found(
        result=result, urgent=any(item.urgent for item in found),
        reasons=told or ("the machine is what it should be",),
    )  # fmt: skip


def _soak(seen: Seen) -> Found:
    parts = [entry for entry in seen.measured if isinstance(entry, SoakPart)]
    if not parts:
        return unknown("nothing was put under load")
    found, links = soaked(parts), {link.place_id: link for link in watched(parts)}
    told = tuple(step_link(links[link.place_id], link.result, link.reasons) for link in found.links)
    hot = max((link.hottest_c for link in found.links if link.hottest_c is not None), default=None)
    return Found(result=found.result, urgent=found.urgent, reasons=found.reasons, links=told, hottest_c=hot)


def _command(seen: Seen) -> Found:
    step = seen.turn.step
    done = next((entry for entry in seen.measured if isinstance(entry, Commanded)), None)
    if done is None or not isinstance(step, CommandStep):
        return unknown("it was not run")
    if done.failure is not None:
        return unknown(done.failure)
    passed = done.status in step.passes_with
    allowed = ", ".join(map(str, step.passes_with))
    return Found(
        result=Result.PASSED if passed else Result.FAILED,
        reasons=(f"ended with status {done.status}" + ("" if passed else f", where it passes with {allowed}"),),
    )


def _reboot(seen: Seen) -> Found:
    if not isinstance(seen.turn.step, RebootStep) or seen.asked is None or seen.part_after is None:
        return unknown("the machine was not started anew")
    then, now = seen.asked.boot_id, seen.part_after.host.boot_id
    if then is None or now is None:
        return unknown("the boot id was not read, so whether the machine was started anew is not known")
    if then == now:
        return Found(result=Result.FAILED, reasons=("the machine did not start anew: it is the same boot",))
    return Found(result=Result.PASSED, reasons=("the machine was started anew and came back",))


def _comparison(seen: Seen) -> Found:
    step = seen.turn.step
    if not isinstance(step, ComparisonStep):
        return unknown("nothing was compared")
    found_before, found_after = _latest(step.before, seen), _latest(step.after, seen)
    if found_before is None or found_after is None:
        return unknown("one of its two snapshots was not taken")
    (first, before), (second, after) = found_before, found_after
    default = Limits()
    limits = Limits(
        default.correctable if step.correctable is None else Limit.parse(step.correctable),
        default.data if step.data is None else Limit.parse(step.data),
    )
    found = diff(before, after, limits)
    status = exit_status(found)
    result = {ExitStatus.CLEAN: Result.PASSED, ExitStatus.NOTHING_JUDGED: Result.INCONCLUSIVE}.get(
        status, Result.FAILED
    )
    worse = [f"{change.place}: {change.sentence}" for change in found.changes if change.rank is Rank.WORSE]
    rest = [f"{change.place}: {change.sentence}" for change in found.changes if change.rank is not Rank.WORSE]
    return Found(
        result=result, urgent=status is ExitStatus.URGENT,
        reasons=(*worse, *(rest if result is not Result.PASSED else ())) or (found.nothing,), shows=found.notes,
        lines=(first, second),
    )  # fmt: skip


def _latest(name: str, seen: Seen) -> tuple[int, Snapshot] | None:
    """The latest snapshot of this name before the step, and its line in the journal."""
    numbers = seen.turns_of(name)
    taken = [
        (line, entry.snapshot)
        for line, entry in enumerate(seen.before, start=1)
        if isinstance(entry, Taken) and entry.turn in numbers
    ]
    return taken[-1] if taken else None


_JUDGES: dict[type[Step], Callable[[Seen], Found]] = {
    SnapshotStep: _snapshot,
    ExpectationsStep: _expectations,
    TrainingsStep: trainings,
    SpeedsStep: speeds,
    MarginsStep: margins,
    SoakStep: _soak,
    CommandStep: _command,
    RebootStep: _reboot,
    ComparisonStep: _comparison,
}
