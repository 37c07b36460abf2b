"""One link: its two ends, what it is trained to, and what happens to it.

Trainings are a list of outcomes, taken one by one by whatever makes the link train; when none is left it trains to the
best that both ends and the Target Link Speed allow. Events come after a number of margining steps.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from fake_sysfs.hardware.lane import Lane
from fake_sysfs.hardware.receiver import MarginingPort, Receiver
from fake_sysfs.hardware.space import (
    LINK_CAPABILITIES,
    LINK_CAPABILITIES_2,
    LINK_CONTROL_2,
    LINK_STATUS,
    LINK_STATUS_2,
    MARGINING,
    Space,
)

_CODES = {2.5: 1, 5.0: 2, 8.0: 3, 16.0: 4, 32.0: 5, 64.0: 6}
_SPEEDS = {code: speed for speed, code in _CODES.items()}
_PHYSICAL = {"16.0": (True, 0x0026), "32.0": (True, 0x002A)}
_TRAINING_BIT, _ACTIVE_BIT, _MANAGED_BIT = 0x0800, 0x2000, 0x4000
_COMPONENT_RECEIVER = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Training:
    """How one training goes. None for speed or width: the best that can be had.

    `ignored`: the port does nothing at all. `equalized`: a rate (`16.0`) and how many of its phases succeeded, 3 for
    all; `errors`: errors that the port reports for it, as `correctable RxErr`: severity and the kernel's short name.
    """

    seconds: float = 0.008
    speed_gts: float | None = None
    width: int | None = None
    up: bool = True
    ignored: bool = False
    equalized: Mapping[str, int] = field(default_factory=dict)
    errors: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEvent:
    """What happens to the link when so many margining steps were begun: one of these is given.

    `vanishes`: the component answers no more; `goes_down`: the link is down and stays so; `retrains`: it goes through
    Recovery and comes back as it was; `errors`: errors that the port reports, as in Training.
    """

    after_steps: int
    width: int | None = None
    speed_gts: float | None = None
    vanishes: bool = False
    goes_down: bool = False
    retrains: bool = False
    errors: Mapping[str, int] = field(default_factory=dict)


class Link:
    """A link under a port."""

    def __init__(  # noqa: PLR0913 - what a link is made of
        self,
        port: Space,
        component: Space,
        now: Callable[[], float],
        *,
        receivers: Mapping[int, Receiver],
        ready: tuple[MarginingPort, MarginingPort] = (MarginingPort(), MarginingPort()),
        trainings: Sequence[Training] = (),
        events: Sequence[LinkEvent] = (),
    ) -> None:
        self.port, self.component = port, component
        self.receivers = receivers
        self.pending_errors: dict[str, int] = {}
        self._now = now
        self._trainings = list(trainings)
        self._events = sorted(events, key=lambda event: event.after_steps)
        self._until: tuple[float, Training] | None = None
        self._steps = 0
        self.trained = 0
        """Trainings that took place."""
        status = port.get(port.express + LINK_STATUS, 2)
        self.speed_gts, self.width = _SPEEDS.get(status & 0xF, 2.5), status >> 4 & 0x3F
        self.up = True
        self.lanes: dict[str, list[Lane]] = {
            end.address: list(self._lanes_of(end)) for end in (port, component) if end.at(MARGINING) is not None
        }
        self._mark(ready)

    def _lanes_of(self, end: Space) -> Iterator[Lane]:
        below = end is self.component
        own = {number: item for number, item in self.receivers.items() if (number == _COMPONENT_RECEIVER) == below}
        count = end.get(end.express + LINK_CAPABILITIES, 4) >> 4 & 0x3F
        return (Lane(number, own or {0: Receiver()}, self._now) for number in range(count))

    def _mark(self, ready: tuple[MarginingPort, MarginingPort]) -> None:
        """Retimers and readiness, as the registers show them."""
        retimers = 0x40 * bool({2, 3} & set(self.receivers)) | 0x80 * bool({4, 5} & set(self.receivers))
        self.port.change(self.port.express + LINK_STATUS_2, 2, 0x00C0, retimers)
        for end, state in zip((self.port, self.component), ready, strict=True):
            base = end.at(MARGINING)
            if base is not None:
                end.put(base + 4, 2, int(state.uses_driver_software))
                end.put(base + 6, 2, int(state.ready) | state.software_ready << 1)

    @property
    def bits_s(self) -> float:
        """Bits a second of one lane."""
        return self.speed_gts * 1e9

    @property
    def is_training(self) -> bool:
        """The link is between states."""
        self.settle()
        return self._until is not None

    def retrain(self, *, down: bool = False) -> float:
        """Train, as the next outcome says; how long that takes. `down`: by way of a reset of all that is below."""
        self.settle()
        outcome = self._trainings.pop(0) if self._trainings else Training()
        if outcome.ignored:
            return 0.0
        self._until = (self._now() + outcome.seconds, outcome)
        if down:
            self.up = False
            self._reset_lanes()
        else:
            self._freeze_lanes()
        return outcome.seconds

    @property
    def next_is_up(self) -> bool:
        """The training that goes on ends with the link up; where none does, the link is up."""
        return self.up if self._until is None else self._until[1].up

    def step_begun(self) -> None:
        """A margining step was begun; what was to happen after so many happens."""
        self._steps += 1
        while self._events and self._events[0].after_steps <= self._steps:
            self._happen(self._events.pop(0))

    def settle(self) -> None:
        """Bring the registers up to the time."""
        if self._until is not None and self._now() >= self._until[0]:
            outcome, self._until = self._until[1], None
            self._come_up(outcome)
        self._show()

    def _happen(self, event: LinkEvent) -> None:
        for name, count in event.errors.items():
            self.pending_errors[name] = self.pending_errors.get(name, 0) + count
        if event.vanishes:
            self.component.gone = True
        if event.goes_down or event.vanishes:
            self.up = False
            self._reset_lanes()
        elif event.width is not None or event.speed_gts is not None or event.retrains:
            self._freeze_lanes()
            self.width, self.speed_gts = event.width or self.width, event.speed_gts or self.speed_gts
            self.port.change(self.port.express + LINK_STATUS, 2, _MANAGED_BIT, _MANAGED_BIT)
        self._show()

    def _come_up(self, outcome: Training) -> None:
        self.trained += 1
        for name, count in outcome.errors.items():
            self.pending_errors[name] = self.pending_errors.get(name, 0) + count
        self.up = outcome.up
        self.component.gone = not outcome.up
        if not outcome.up:
            return
        best_speed, best_width = self._best()
        self.speed_gts = best_speed if outcome.speed_gts is None else min(outcome.speed_gts, best_speed)
        self.width = best_width if outcome.width is None else min(outcome.width, best_width)
        for rate, phases in outcome.equalized.items():
            self._equalized(rate, phases)
        self.port.change(self.port.express + LINK_STATUS, 2, _MANAGED_BIT, _MANAGED_BIT)

    def _best(self) -> tuple[float, int]:
        """What both ends can do and the port's Target Link Speed allows."""
        speeds, widths = [], []
        for end in (self.port, self.component):
            capabilities = int.from_bytes(end.data[end.express + LINK_CAPABILITIES :][:4], "little")
            vector = int.from_bytes(end.data[end.express + LINK_CAPABILITIES_2 :][:4], "little") >> 1 & 0x7F
            possible = range(1, (capabilities & 0xF) + 1)
            speeds.append({code for code in possible if not vector or vector >> (code - 1) & 1})
            widths.append(capabilities >> 4 & 0x3F)
        target = self.port.data[self.port.express + LINK_CONTROL_2] & 0xF
        common = {code for code in speeds[0] & speeds[1] if code <= (target or 1)}
        return _SPEEDS[max(common, default=1)], min(widths)

    def _equalized(self, rate: str, phases: int) -> None:
        """Complete, and the phases that succeeded, at both ends."""
        bits = 1 | ((1 << phases) - 1) << 1
        for end in (self.port, self.component):
            if rate == "8.0":
                end.change(end.express + LINK_STATUS_2, 2, 0x1E, bits << 1)
            elif (base := end.at(_PHYSICAL[rate])) is not None:
                end.change(base + 0x0C, 4, 0x0F, bits)

    def _show(self) -> None:
        """Link Status at both ends; a component that is reached shows what the port shows."""
        state = _CODES[self.speed_gts] | self.width << 4
        for end in (self.port, self.component):
            reports = end.get(end.express + LINK_CAPABILITIES, 4) >> 20 & 1 and end is self.port
            active = _ACTIVE_BIT * bool(reports and self.up and self._until is None)
            training = _TRAINING_BIT * (end is self.port and self._until is not None)
            end.change(end.express + LINK_STATUS, 2, 0x3FF | _TRAINING_BIT | _ACTIVE_BIT, state | active | training)

    def _freeze_lanes(self) -> None:
        for lanes in self.lanes.values():
            for lane in lanes:
                lane.freeze()

    def _reset_lanes(self) -> None:
        for lanes in self.lanes.values():
            for lane in lanes:
                lane.reset()
