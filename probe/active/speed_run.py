"""A link taken through the speeds that both ends support, one after another, ascending.

May live here: the loop over a thing that runs protocols, and the reading of what was seen. May not: opening files.
"""

from collections.abc import Callable, Sequence

import msgspec

from probe.active.documents import Attempt, ErrorCount, SpeedStep
from probe.active.errors_at import Counts, grown, tally_of
from probe.active.link_at import LinkAt, lane_errors_of, target_speed_of
from probe.active.speed_steps import step_to
from probe.active.steps import Stopped
from probe.active.training import Seen
from probe.active.trainings import Around, Course, Runner, Watching, attempt_of, new_lanes, reason_to_stop
from probe.active.under_load import Carried
from probe.active.ways import ByRetrain, SpeedMeans
from probe.links.state import LinkState

Hold = Callable[[], tuple[tuple[LinkState, ...], Carried]]
"""Holds the link for the time that was chosen, loaded or idle: the states seen meanwhile, and what was carried."""


class SpeedCourse(msgspec.Struct, frozen=True, kw_only=True):
    """What is to be done at one link: `speeds` are those that both ends support, `others` those that one does."""

    link: LinkAt
    means: SpeedMeans
    speeds: tuple[float, ...]
    others: tuple[float, ...]
    before: LinkState
    seconds: float


class Gone(msgspec.Struct, frozen=True, kw_only=True):
    """The way that was gone: each speed with its result, why it ended early if it did, whether the link answers."""

    steps: tuple[SpeedStep, ...]
    stopped: str | None = None
    back: bool = True


def through_speeds(course: SpeedCourse, runner: Runner, beside: Watching, hold: Hold) -> Gone:
    """Each speed in turn, until done or until something speaks against going on."""
    steps: list[SpeedStep] = []
    stopped: str | None = None
    try:
        for speed in course.speeds:
            stopped = beside.objection()
            if stopped is not None:
                break
            steps.append(_one(course, speed, runner, beside, hold))
            stopped = _reason_to_stop(steps[-1], course) or _meddled(course, speed, runner)
            if stopped is not None:
                break
    except Stopped as signal:
        stopped = f"stopped by {signal}"
    last = steps[-1].attempts[-1] if steps and steps[-1].attempts else None
    return Gone(steps=_all(course, steps), stopped=stopped, back=last is None or last.came_up is not False)


def untried(course: SpeedCourse, why: str) -> Gone:
    """The way as it was to be gone, where nothing of it was done."""
    return Gone(steps=_all(course, ()), stopped=why)


def _all(course: SpeedCourse, steps: Sequence[SpeedStep]) -> tuple[SpeedStep, ...]:
    """Every speed that an end has, ascending: those that were tried, and the others."""
    tried = {step.speed_gts for step in steps}
    left = [SpeedStep(speed_gts=speed, supported=True) for speed in course.speeds if speed not in tried]
    unsupported = [SpeedStep(speed_gts=speed, supported=False) for speed in course.others]
    return tuple(sorted((*steps, *left, *unsupported), key=lambda step: step.speed_gts))


def _one(course: SpeedCourse, speed: float, runner: Runner, beside: Watching, hold: Hold) -> SpeedStep:
    errors = runner.run(tally_of(course.link))
    lanes = runner.run(lane_errors_of(course.link))
    beside.log()
    seen = runner.run(step_to(course.link, speed, course.means))
    trained_errors = runner.run(tally_of(course.link))
    around = Around(
        errors=grown(errors, trained_errors),
        lanes=new_lanes(lanes, seen[-1].lane_errors),
        events=tuple(beside.log()),
    )
    attempts = _attempts(course, speed, seen, around)
    for attempt in attempts:
        beside.tell(attempt)
    last = attempts[-1]
    state = LinkState(last.speed_gts, last.width)
    trained = _trained(attempts, speed)
    step = SpeedStep(
        speed_gts=speed, supported=True, trained=trained, state=state, attempts=attempts, problem=last.problem
    )
    if not trained or course.seconds <= 0.0:
        return step
    states, carried = hold()
    lanes = runner.run(lane_errors_of(course.link))
    grew = grown(trained_errors, runner.run(tally_of(course.link)))
    newly = new_lanes(seen[-1].lane_errors, lanes)
    return msgspec.structs.replace(
        step,
        trained=all(item.speed_gts == speed for item in states),
        carries=None if carried.bytes_s is None else carried.bytes_s > 0.0 and carried.failure is None,
        clean=None if grew is None else not grew and not newly,
        seconds=course.seconds,
        bytes_s=carried.bytes_s,
        errors=None if grew is None else error_counts(grew),
        problem=_told(states, speed, newly, carried),
    )


def _attempts(course: SpeedCourse, speed: float, seen: Sequence[Seen], around: Around) -> tuple[Attempt, ...]:
    """The trainings that one speed took; errors and log lines of all of them are told at the last."""
    expected = LinkState(speed, course.link.possible.width)
    as_course = Course(link=course.link, means=ByRetrain(), times=len(seen), before=course.before, expected=expected)
    return tuple(
        attempt_of(number, item, as_course, around if number == len(seen) else Around(errors={}))
        for number, item in enumerate(seen, start=1)
    )


def _trained(attempts: Sequence[Attempt], speed: float) -> bool | None:
    """The link runs at the speed now; None where it does not and no training was observed either."""
    last = attempts[-1]
    if last.speed_gts == speed and last.came_up is not False:
        return True
    return False if any(attempt.observed_training for attempt in attempts) else None


def _told(states: Sequence[LinkState], speed: float, lanes: dict[str, tuple[int, ...]], carried: Carried) -> str | None:
    """What went wrong while the link was held."""
    found = [f"went to {state} meanwhile" for state in states if state.speed_gts != speed]
    found += [f"lane {', '.join(map(str, mask))} newly in error at the {end}" for end, mask in lanes.items()]
    found += [carried.failure] if carried.failure is not None else []
    return "; ".join(found) or None


def _reason_to_stop(step: SpeedStep, course: SpeedCourse) -> str | None:
    """A slower speed is no reason, since that is what was asked for; all else is as with trainings."""
    nothing = LinkState()
    as_course = Course(link=course.link, means=ByRetrain(), times=1, before=nothing, expected=nothing)
    return reason_to_stop(step.attempts[-1:], as_course)


def _meddled(course: SpeedCourse, speed: float, runner: Runner) -> str | None:
    """Somebody else wrote the Target Link Speed meanwhile: two masters on one register."""
    now = runner.run(target_speed_of(course.link))
    if now is None or now == speed:
        return None
    return f"somebody else changed the Target Link Speed to {now:g} GT/s"


def error_counts(counts: Counts) -> tuple[ErrorCount, ...]:
    """Counts as the document lists them."""
    return tuple(ErrorCount(*key, count) for key, count in sorted(counts.items()))
