"""Many trainings of one link, one after another, what came of each, and when to stop.

May live here: the loop over a thing that runs protocols, and the reading of what was seen. May not: opening files.
"""

from collections.abc import Callable, Sequence
from typing import Protocol as Interface

import msgspec

from probe.active.documents import Attempt, ErrorCount, Kind
from probe.active.errors_at import UNCORRECTABLE, Counts, grown, tally_of
from probe.active.link_at import LinkAt, lane_errors_of
from probe.active.steps import Protocol, Result, Stopped
from probe.active.training import Problem, Seen, train
from probe.active.ways import ByRetrain, BySlot, Means
from probe.errors.log_events import EventKind, LogEvent
from probe.links.state import LinkState
from probe.registers.bits import outside
from probe.registers.errors import Severity
from probe.registers.values import lanes_in

_RUNNING_SHORT = 3
_HARMFUL = frozenset({Severity.NONFATAL.value, Severity.FATAL.value, UNCORRECTABLE})
_AWAY = frozenset({Problem.STUCK, Problem.NOT_ACTIVE, Problem.GONE})


class Runner(Interface):
    """What runs protocols: a session on hardware, or a driver on a model."""

    def run(self, protocol: Protocol[Result]) -> Result:
        """The result of a protocol."""


class Course(msgspec.Struct, frozen=True, kw_only=True):
    """What is to be done at one link: how often, by which means, and the state that it should come up with.

    `equalized` are the rates whose equalization was complete before, by end; `held_at_gts` is the port's Target Link
    Speed, None where it is changed on purpose.
    """

    link: LinkAt
    means: Means
    times: int
    before: LinkState
    expected: LinkState
    equalized: frozenset[tuple[str, float]] = frozenset()
    held_at_gts: float | None = None


class Watching(msgspec.Struct, frozen=True):
    """What stands beside the loop: the kernel's log since the last call, a look at the guard, somebody to tell."""

    log: Callable[[], Sequence[LogEvent]]
    objection: Callable[[], str | None]
    tell: Callable[[Attempt], None]


class Trained(msgspec.Struct, frozen=True, kw_only=True):
    """The trainings of a link, why they ended early if they did, and whether the link is back."""

    attempts: tuple[Attempt, ...]
    stopped: str | None = None
    back: bool = True


class Around(msgspec.Struct, frozen=True, kw_only=True):
    """What happened between the training before and this one: errors, lanes newly in error, lines of the log."""

    errors: Counts | None = None
    lanes: dict[str, tuple[int, ...]] = {}
    events: tuple[LogEvent, ...] = ()


def trainings(course: Course, runner: Runner, beside: Watching) -> Trained:
    """Train until done, or until something speaks against going on."""
    attempts: list[Attempt] = []
    stopped: str | None = None
    try:
        errors = runner.run(tally_of(course.link))
        lanes = runner.run(lane_errors_of(course.link))
        beside.log()
        while len(attempts) < course.times and stopped is None:
            stopped = beside.objection()
            if stopped is not None:
                break
            seen = runner.run(train(course.link, course.means))
            after = runner.run(tally_of(course.link))
            around = Around(
                errors=grown(errors, after), lanes=new_lanes(lanes, seen.lane_errors), events=tuple(beside.log())
            )
            errors, lanes = after, {**lanes, **seen.lane_errors}
            attempts.append(attempt_of(len(attempts) + 1, seen, course, around))
            beside.tell(attempts[-1])
            stopped = reason_to_stop(attempts, course)
    except Stopped as signal:
        stopped = f"stopped by {signal}"
    back = not attempts or attempts[-1].came_up is not False or _try_once_more(course, runner)
    return Trained(attempts=tuple(attempts), stopped=stopped, back=back)


def new_lanes(before: dict[str, int], after: dict[str, int]) -> dict[str, tuple[int, ...]]:
    """The lanes whose error bit is set now and was not before, by end."""
    new = {end: lanes_in(outside(mask, before.get(end, 0))) for end, mask in after.items()}
    return {end: lanes for end, lanes in new.items() if lanes}


def attempt_of(number: int, seen: Seen, course: Course, around: Around) -> Attempt:
    """What was seen of one training, as the document tells it."""
    errors = around.errors
    ends = {course.link.port.address, course.link.component.address}
    ours = [event for event in around.events if event.address in ends]
    held = any(event.kind is EventKind.SPEED_HELD for event in ours)
    removed = any(event.kind is EventKind.LINK_DOWN for event in ours) and not isinstance(course.means, BySlot)
    done = seen.problem not in {Problem.BUSY, Problem.REFUSED, Problem.HELD}
    counted = None if errors is None else tuple(ErrorCount(*key, count) for key, count in sorted(errors.items()))
    return Attempt(
        number=number,
        kind=_kind(seen, course, held=held, removed=removed),
        observed_training=bool(seen.signs) or seen.problem in _AWAY or seen.answers is False,
        observed_by=tuple(str(sign) for sign in seen.signs),
        ms=None if seen.ms is None else round(seen.ms, 3),
        below_ms=None if seen.below_ms is None else round(seen.below_ms, 3),
        came_up=None if seen.answers and not done else bool(seen.answers) and seen.problem not in _AWAY,
        speed_gts=seen.state.speed_gts,
        width=seen.state.width,
        by_kernel_workaround=held,
        equalization=seen.equalization,
        lanes=around.lanes,
        errors=counted,
        kernel=tuple(event.text for event in ours),
        problem=seen.detail or seen.problem,
        target_speed_gts=seen.target_speed_gts,
    )


def _kind(seen: Seen, course: Course, *, held: bool, removed: bool) -> Kind:
    if removed:
        return Kind.REMOVED
    if seen.problem in _AWAY or seen.answers is False:
        return Kind.NOT_UP
    if seen.problem is not None:
        return Kind.NOT_DONE
    if not seen.signs:
        return Kind.NOT_OBSERVED
    if held:
        return Kind.WORKAROUND
    slower, narrower = is_slower(seen.state, course.expected), is_narrower(seen.state, course.expected)
    if slower or narrower:
        return Kind.SLOWER_AND_NARROWER if slower and narrower else Kind.SLOWER if slower else Kind.NARROWER
    unfinished = {(item.end, item.speed_gts) for item in seen.equalization if not item.complete}
    fell = {speed for _, speed in unfinished.intersection(course.equalized)}
    return Kind.EQUALIZATION if seen.state.speed_gts in fell else Kind.GOOD


def is_slower(state: LinkState, other: LinkState) -> bool:
    """Below the other's speed, where both were read."""
    return state.speed_gts is not None and other.speed_gts is not None and state.speed_gts < other.speed_gts


def is_narrower(state: LinkState, other: LinkState) -> bool:
    """Fewer lanes than the other, where both were read."""
    return state.width is not None and other.width is not None and state.width < other.width


def is_below(state: LinkState, other: LinkState) -> bool:
    """Slower or narrower."""
    return is_slower(state, other) or is_narrower(state, other)


def reason_to_stop(attempts: Sequence[Attempt], course: Course) -> str | None:
    """Why there should be no further training; None where nothing speaks against it."""
    last = attempts[-1]
    if last.kind is Kind.REMOVED:
        return "the hot-plug driver took the component away"
    if last.kind is Kind.NOT_UP:
        return f"it did not come back: {last.problem}"
    if last.kind is Kind.NOT_DONE:
        return f"the training could not be asked for: {last.problem}"
    if None not in {course.held_at_gts, last.target_speed_gts} and last.target_speed_gts != course.held_at_gts:
        changed = f"the port's Target Link Speed went from {course.held_at_gts:g} to {last.target_speed_gts:g} GT/s"
        return f"{changed}: the kernel's work-around for failed links, or somebody else, holds the link there"
    harmful = [item for item in last.errors or () if item.severity in _HARMFUL]
    if harmful:
        return f"a {harmful[0].severity} error was counted: {harmful[0].error}"
    recent = attempts[-_RUNNING_SHORT:]
    states = [LinkState(attempt.speed_gts, attempt.width) for attempt in recent if attempt.observed_training]
    if len(states) == _RUNNING_SHORT and all(is_below(state, course.before) for state in states):
        return f"it came up below what it was before ({course.before}) {_RUNNING_SHORT} times running"
    return None


def _try_once_more(course: Course, runner: Runner) -> bool:
    """A link that did not come back is retrained once; whether it answers then."""
    seen = runner.run(train(course.link, ByRetrain()))
    return bool(seen.answers) and seen.problem is None
