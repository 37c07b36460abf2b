"""The whole link: made ready, receiver after receiver, as many lanes at once as one allows, and quiet at the end.

One receiver at a time, so never both ends at once, and never two receivers without independent samplers. Whatever ends
the measuring, every lane that was spoken to is told to go back to normal settings.
"""

from collections.abc import Callable, Iterable, Iterator
from functools import partial

import msgspec

from probe.active.asking import until
from probe.active.link_at import LinkAt, is_set, state_in
from probe.active.margining.capabilities import Capabilities, read_capabilities
from probe.active.margining.document import LaneMargin, ReceiverMargin
from probe.active.margining.failures import LinkDisturbed, LinkWentDown, NotReady, Unmeasured
from probe.active.margining.lane import LanePort
from probe.active.margining.preparation import SPEEDS_GTS, check_ready, prepare
from probe.active.margining.reading import margining_at, present
from probe.active.margining.stepping import LaneRun, Trial, ways
from probe.active.margining.watch import LinkWatch
from probe.active.margining.wording import worded
from probe.active.steps import CannotWrite, Protocol
from probe.active.together import together
from probe.counted import counted
from probe.links.state import LinkState
from probe.registers.link import LinkStatus, LinkStatus2

PORT_RECEIVER, COMPONENT_RECEIVER = 1, 6
RECEIVER_NAMES = {
    1: "Downstream Port",
    2: "first retimer, its Upstream Pseudo Port",
    3: "first retimer, its Downstream Pseudo Port",
    4: "second retimer, its Upstream Pseudo Port",
    5: "second retimer, its Downstream Pseudo Port",
    6: "Upstream Port",
}
LIVE_DATA_NEEDED = (
    "it has no sampler of its own for errors: margining moves the point at which data is sampled; "
    "accept live-data to do it"
)
_NOT_REACHED = "the run ended before it"
_SETTLED_S = 1.0


class Choice(msgspec.Struct, frozen=True, kw_only=True):
    """What a person wants measured, and how."""

    ends: frozenset[str]
    """Some of `port`, `component`, `retimer`."""
    lanes: frozenset[int] | None = None
    seconds: float = 1.0
    error_limit: int = 4
    live_data: bool = False


def receivers_of(link_status_2: int, ends: frozenset[str]) -> list[int]:
    """The receivers at these ends. Retimers are those that the Downstream Port has detected, by its Link Status 2."""
    two = is_set(LinkStatus2.two_retimers_presence_detected, link_status_2)
    one = two or is_set(LinkStatus2.retimer_presence_detected, link_status_2)
    retimers = [2, 3, 4, 5] if two else [2, 3] if one else []
    found = {"port": [PORT_RECEIVER], "retimer": retimers, "component": [COMPONENT_RECEIVER]}
    return [number for end, numbers in found.items() if end in ends for number in numbers]


class LinkRun:
    """The margining of one link. What was measured stays, whatever ends the run."""

    def __init__(self, link: LinkAt, choice: Choice, tell: Callable[[str], None] = lambda _: None) -> None:
        self._link = link
        self._choice = choice
        self._tell = tell
        self._watch = LinkWatch(link)
        self._lanes: dict[tuple[str, int], LanePort] = {}
        self._receivers: list[_Receiver] = []
        self.stopped: str | None = None
        """Why the run ended before its end, None where it did not."""
        self._went_down = False
        self.before = LinkState()
        self.ended = LinkState()

    @property
    def receivers(self) -> tuple[ReceiverMargin, ...]:
        """What was measured so far."""
        return tuple(receiver.result(self.stopped or _NOT_REACHED) for receiver in self._receivers)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of the result has to know."""
        told = self._watch.corrected
        return (f"correctable errors were reported meanwhile: at least {told}",) if told else ()

    @property
    def not_normal(self) -> tuple[str, ...]:
        """Lanes that were moved and have not acknowledged going back to normal."""
        if self._went_down:
            return ()
        return tuple(
            f"lane {lane.lane} of {lane.address} has not acknowledged Go to Normal Settings"
            for lane in self._lanes.values()
            if lane.moved and (self.ended.width is None or lane.lane < self.ended.width)
        )

    def measure(self) -> Protocol[None]:
        """Measure all that was chosen, until something speaks against it."""
        try:
            yield from self._measure()
        except LinkDisturbed as disturbed:
            self.stopped = f"stopped: {disturbed}"
            self._went_down = isinstance(disturbed, LinkWentDown)
        except (NotReady, CannotWrite) as reason:
            self.stopped = str(reason)

    def quiet(self) -> Protocol[None]:
        """Go to Normal Settings to all receivers on all lanes that were spoken to; has to follow, whatever happened."""
        if self._lanes:
            yield from together((_quiet(lane) for lane in self._lanes.values()), at_once=len(self._lanes))
        self.ended = yield from self._state_now()

    def quiet_again(self) -> Protocol[None]:
        """The same once a link is back that had become too slow to hear; what it had come to stays noted."""
        yield from together((_quiet(lane) for lane in self._lanes.values()), at_once=len(self._lanes))

    def _measure(self) -> Protocol[None]:
        self.before = yield from self._state_now()
        self._refuse()
        yield from prepare(self._link)
        yield from self._watch.begin()
        detected = yield from present(self._link.port, LinkStatus2)
        self._receivers = [_Receiver(number) for number in receivers_of(detected, self._choice.ends)]
        for receiver in self._receivers:
            yield from self._receiver(receiver)
            yield from _all_normal(self._lanes.values())

    def _refuse(self) -> None:
        """Where nothing can come of it, nothing is written."""
        if self.before.speed_gts not in SPEEDS_GTS:
            raise NotReady(f"the link runs at {self.before}; lane margining is done at 16 and at 32 GT/s")
        if all(margining_at(end) is None for _, end in self._link.ends()):
            raise NotReady("neither end has the Lane Margining capability")
        lanes = self._choice.lanes
        if lanes is not None and not any(lane in lanes for lane in range(self.before.width or 0)):
            raise NotReady(f"none of the lanes that were chosen is a part of the link, which runs at {self.before}")

    def _receiver(self, receiver: "_Receiver") -> Protocol[None]:
        end = self._link.component if receiver.number == COMPONENT_RECEIVER else self._link.port
        receiver.reached = True
        try:
            base = yield from check_ready(end)
        except Unmeasured as reason:
            receiver.unmeasured = str(reason)
            return
        for lane in self._chosen_lanes():
            port = self._lanes.setdefault((end.address, lane), LanePort(end.address, base, lane))
            yield from self._ask_abilities(receiver, port)
        runs = list(self._runs(receiver))
        receiver.runs = runs
        if not runs:
            return
        receiver.at_once = min(len(runs), *(receiver.abilities[lane].lanes_at_once for lane, _ in runs))
        self._tell(
            f"receiver {receiver.number}, {receiver.name}: {counted(len(runs), 'lane')}, {receiver.at_once} at once"
        )
        yield from together(
            (self._in_turn(receiver, self._lanes[end.address, lane], run) for lane, run in runs), receiver.at_once
        )
        independent = all(receiver.abilities[lane].independent_sampler for lane, _ in runs)
        yield from self._watch.check_errors(correctable_stop=independent, at_once=True)

    def _in_turn(self, receiver: "_Receiver", lane: LanePort, run: LaneRun) -> Protocol[None]:
        """One lane, once those that had its turn before are normal again."""
        if receiver.at_once < len(receiver.runs):
            yield from _all_normal(receiver.ended)
        yield from run.protocol()
        receiver.ended.append(lane)

    def _chosen_lanes(self) -> list[int]:
        width = self._watch.state.width or 0
        return [lane for lane in range(width) if self._choice.lanes is None or lane in self._choice.lanes]

    def _ask_abilities(self, receiver: "_Receiver", port: LanePort) -> Protocol[None]:
        try:
            receiver.abilities[port.lane] = yield from read_capabilities(port, receiver.number)
        except Unmeasured as reason:
            receiver.dead[port.lane] = str(reason)
        yield from self._watch.check()

    def _runs(self, receiver: "_Receiver") -> Iterator[tuple[int, LaneRun]]:
        end = self._link.component if receiver.number == COMPONENT_RECEIVER else self._link.port
        trial = Trial(self._choice.seconds, self._choice.error_limit, partial(self._way_done, receiver))
        for lane, can in receiver.abilities.items():
            if not can.independent_sampler and not self._choice.live_data:
                receiver.dead[lane] = LIVE_DATA_NEEDED
                continue
            yield lane, LaneRun(self._lanes[end.address, lane], receiver.number, can, self._watch, trial)

    def _way_done(self, receiver: "_Receiver", lane: int, way: str) -> None:
        """Tell of a way when all lanes have done it; where not all go at once, of a lane when it has done all ways."""
        receiver.done.append((lane, way))
        if receiver.at_once == len(receiver.runs):
            if sum(1 for _, done in receiver.done if done == way) == len(receiver.runs):
                self._tell(f"receiver {receiver.number}: {worded(way)} done")
        elif sum(1 for done, _ in receiver.done if done == lane) == receiver.ways_of(lane):
            self._tell(f"receiver {receiver.number}: lane {lane} done")

    def _state_now(self) -> Protocol[LinkState]:
        found = yield from until(
            self._link.status, lambda raw: not is_set(LinkStatus.link_training, raw), _SETTLED_S, _SETTLED_S / 100
        )
        return state_in(found.value)


def _all_normal(lanes: Iterable[LanePort]) -> Protocol[None]:
    """Whoever has had a turn has to be normal again before the next one begins. Raises NotReady."""
    moved = [lane for lane in lanes if lane.moved]
    yield from together(map(_quiet, moved), at_once=len(moved))
    deaf = [f"lane {lane.lane} of {lane.address}" for lane in moved if lane.moved]
    if deaf:
        what = "has not acknowledged Go to Normal Settings, and no other may be margined beside it"
        raise NotReady(f"stopped: {', '.join(deaf)} {what}")


def _quiet(lane: LanePort) -> Protocol[None]:
    try:
        yield from lane.quiet()
    except (LinkDisturbed, CannotWrite):
        return


class _Receiver:
    """What is known of one receiver while it is measured."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.name = RECEIVER_NAMES[number]
        self.reached = False
        self.unmeasured: str | None = None
        self.abilities: dict[int, Capabilities] = {}
        self.dead: dict[int, str] = {}
        self.runs: list[tuple[int, LaneRun]] = []
        self.ended: list[LanePort] = []
        self.at_once = 1
        self.done: list[tuple[int, str]] = []

    def ways_of(self, lane: int) -> int:
        """In how many ways a lane can move."""
        return sum(1 for _ in ways(self.number, self.abilities[lane]))

    def result(self, stopped: str) -> ReceiverMargin:
        measured = {lane: run.result(stopped) for lane, run in self.runs}
        known = {lane: LaneMargin(lane=lane, unmeasured=why) for lane, why in self.dead.items()}
        waiting = {lane: LaneMargin(lane=lane, unmeasured=stopped) for lane in self.abilities}
        lanes = {**waiting, **known, **measured}
        return ReceiverMargin(
            number=self.number,
            name=self.name,
            lanes=tuple(lanes[lane] for lane in sorted(lanes)),
            capabilities=next(iter(self.abilities.values()), None),
            unmeasured=self.unmeasured if self.reached else stopped,
        )
