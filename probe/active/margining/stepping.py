"""One lane's sequence: each way from the first step outwards, until a step has too many errors or the range ends."""

from collections.abc import Callable, Iterator

import msgspec

from probe.active.asking import now
from probe.active.margining.capabilities import Capabilities, bits_by_count, bits_by_rate
from probe.active.margining.commands import (
    Command,
    error_count_limit,
    report,
    step_timing,
    step_voltage,
)
from probe.active.margining.document import LaneMargin, Side, StepSeen
from probe.active.margining.failures import Unmeasured
from probe.active.margining.lane import LanePort
from probe.active.margining.watch import LinkWatch
from probe.active.margining.wording import ways_in_words
from probe.active.steps import Protocol, Wait
from probe.errors.bit_error_ratio import upper_mean
from probe.registers import margin_payloads as payloads

_CONFIDENCE = 0.95
_LOOKS_A_STEP = 20
_LEAST_LOOK_S = 0.02
_SET_UP, _MARGINING, _NOT_SUPPORTED = "set-up", "margining", "not supported"


class Way(msgspec.Struct, frozen=True):
    """One way to move: its name in the document, the command for a step, how many there are, bits tested by rate."""

    name: str
    command: Callable[[int], Command]
    steps: int
    rate: int | None
    timing: bool


def ways(receiver: int, can: Capabilities) -> Iterator[Way]:
    """The ways in which a receiver can move, in the order of measuring."""
    sides: tuple[tuple[str, str | None], ...] = (("left", "left"), ("right", "right"))
    for name, direction in sides if can.independent_sides else (("both_sides", None),):
        yield Way(name, _timing(receiver, direction), can.timing_steps, can.timing_rate, timing=True)
    levels: tuple[tuple[str, str | None], ...] = (("up", "up"), ("down", "down"))
    for name, direction in levels if can.independent_levels else (("both_levels", None),):
        if can.voltage and can.voltage_steps:
            yield Way(name, _voltage(receiver, direction), can.voltage_steps, can.voltage_rate, timing=False)


def _timing(receiver: int, direction: str | None) -> Callable[[int], Command]:
    return lambda steps: step_timing(receiver, steps, direction)


def _voltage(receiver: int, direction: str | None) -> Callable[[int], Command]:
    return lambda steps: step_voltage(receiver, steps, direction)


class Trial(msgspec.Struct, frozen=True):
    """How each step is tried, and whom to tell of each way that is done: by lane and name."""

    seconds: float
    error_limit: int
    done: Callable[[int, str], None]


class LaneRun:
    """The measuring of one lane of one receiver. What was measured stays, whatever ends the run."""

    def __init__(self, lane: LanePort, receiver: int, can: Capabilities, watch: LinkWatch, trial: Trial) -> None:
        self._lane = lane
        self._receiver = receiver
        self._can = can
        self._watch = watch
        self._trial = trial
        self._sides: dict[str, Side] = {}
        self._why: dict[str, str | None] = {way.name: None for way in ways(receiver, can)}

    def result(self, stopped: str) -> LaneMargin:
        """What is known of the lane; `stopped` says why a way was not reached, if one was not."""
        reasons = {name: why or stopped for name, why in self._why.items()}
        return LaneMargin(
            lane=self._lane.lane, **self._sides, unmeasured=ways_in_words(reasons), unmeasured_sides=reasons,
            notes=self._lane.pace.notes(),
        )  # fmt: skip

    def protocol(self) -> Protocol[None]:
        """Measure each way. Raises LinkDisturbed, CannotWrite."""
        for way in ways(self._receiver, self._can):
            try:
                self._sides[way.name] = yield from self._measured(way)
                del self._why[way.name]
            except Unmeasured as reason:
                self._why[way.name] = str(reason)
                yield from self._watch.check()
                try:
                    yield from self._lane.normal(self._receiver)
                except Unmeasured as lost:
                    self._why.update({name: str(lost) for name, why in self._why.items() if why is None})
                    return
            self._trial.done(self._lane.lane, way.name)

    def _measured(self, way: Way) -> Protocol[Side]:
        """Step outwards, each step from normal settings. Raises Unmeasured where a step is not supported."""
        yield from self._lane.ask(error_count_limit(self._receiver, self._trial.error_limit))
        yield from self._watch.check()
        good: StepSeen | None = None
        bad: StepSeen | None = None
        for steps in range(1, way.steps + 1):
            seen, passed = yield from self._step(way, steps)
            yield from self._lane.normal(self._receiver)
            yield from self._watch.check()
            yield from self._watch.check_errors(correctable_stop=self._can.independent_sampler)
            if not passed:
                bad = seen
                break
            good = seen
        last = 0 if good is None else good.steps
        return Side(
            steps=last,
            at_least=bad is None,
            ui=self._can.ui(last) if way.timing else None,
            volts=None if way.timing else self._can.volts(last),
            of_steps=way.steps,
            last_good=good,
            first_bad=bad,
        )

    def _step(self, way: Way, steps: int) -> Protocol[tuple[StepSeen, bool]]:
        """One step, watched for the chosen time, and whether it passed."""
        command = way.command(steps)
        yield from self._lane.no_command()
        yield from self._watch.check()  # a step on a neighbouring lane may have cost the link this one
        payload = yield from self._lane.step(command)
        if _state(payload) == _SET_UP:
            payload = yield from self._lane.set_up(command, lambda answer: _state(answer) != _SET_UP)
        begin = yield from now()
        before = begin
        while True:
            yield from self._watch.check()
            left = self._trial.seconds - (before - begin)
            if left <= 0 or not self._passes(payload):
                break
            yield Wait(min(left, max(_LEAST_LOOK_S, self._trial.seconds / _LOOKS_A_STEP)))
            before = yield from now()
            payload = yield from self._lane.answer(command)
        if _state(payload) == _NOT_SUPPORTED:
            raise Unmeasured(f"does not support step {steps} of {way.steps}, which says nothing of the margin")
        if _state(payload) == _SET_UP:
            raise Unmeasured(f"went back to set-up at step {steps}")
        bits = yield from self._bits(way, begin, before)
        passed = self._passes(payload)
        return _seen(steps, _errors(payload), bits, before - begin, passed=passed), passed

    def _passes(self, payload: int) -> bool:
        return _state(payload) == _MARGINING and _errors(payload) <= self._trial.error_limit

    def _bits(self, way: Way, begin: float, counted: float) -> Protocol[float | None]:
        """How many bits were tested at least when the errors were counted; None where the receiver does not tell."""
        seconds = counted - begin
        if self._can.rate:
            speed = self._watch.state.speed_gts
            return None if speed is None or way.rate is None else bits_by_rate(speed, seconds, way.rate) or None
        asked = report(self._receiver, payloads.REPORT_SAMPLE_COUNT, payloads.SampleCount.name)
        try:
            by_then = bits_by_count(payloads.SampleCount.value.raw((yield from self._lane.ask(asked))))
        except Unmeasured:
            return None
        # It goes on testing until it is asked, and the errors of that while are not in the count.
        return None if by_then is None else by_then * seconds / ((yield from now()) - begin) or None


def _state(payload: int) -> str:
    return str(payloads.StepAnswer.state.decode(payload))


def _errors(payload: int) -> int:
    return payloads.StepAnswer.error_count.raw(payload)


def _seen(steps: int, errors: int, bits: float | None, seconds: float, *, passed: bool) -> StepSeen:
    below = upper_mean(errors, _CONFIDENCE) / bits if passed and bits else 1.0
    return StepSeen(steps=steps, errors=errors, bits=bits, seconds=seconds, ratio_below=below if below < 1.0 else None)
