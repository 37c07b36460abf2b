"""When a soak ends: an ordered table of rules over what was recorded. What a screen shows decides nothing.

May live here: rules, each from one Moment to an Ending or None. The first that has one ends the soak.
"""

import signal
import threading
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

import msgspec

from probe.observe.clock import Clock
from probe.observe.events import LOST, CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.soak.journal import Cause, Entry, Sample
from probe.soak.setup import Setup
from probe.soak.windows import fullest_window


class Moment(msgspec.Struct, frozen=True, kw_only=True):
    """What the decision rests on: this sample, all that was recorded with it, and the errors counted so far.

    Of these the last window of the limit is kept. Correctable ones count from `baseline_t` on, None before it. `ended`
    says that the command is over, or without one all loads.
    """

    setup: Setup
    sample: Sample
    recorded: Sequence[Entry]
    counted: Sequence[CountedErrors]
    baseline_t: float | None
    ended: bool
    interrupted: signal.Signals | None


class Ending(msgspec.Struct, frozen=True):
    """Why it ends, as a value and in words, and whether all that was asked for was done."""

    cause: Cause
    why: str
    complete: bool = False


StopRule = Callable[[Moment], Ending | None]


def interrupted(moment: Moment) -> Ending | None:
    """Did a person or the system ask for the end."""
    if moment.interrupted is None:
        return None
    return Ending(Cause.INTERRUPTED, f"ended by {moment.interrupted.name}")


def uncorrectable(moment: Moment) -> Ending | None:
    """Was an uncorrectable error counted, where that is to end it."""
    asked = moment.setup.stops.fatal
    if not asked or all(item.severity is Severity.CORRECTABLE for item in moment.counted):
        return None
    return Ending(Cause.UNCORRECTABLE, "stopped at the first uncorrectable error, as asked")


def link_lost(moment: Moment) -> Ending | None:
    """Did a link go down or a component vanish, where that is to end it."""
    asked = moment.setup.stops.link_down
    if not asked or not any(isinstance(entry, LinkEvent) and entry.kind in LOST for entry in moment.recorded):
        return None
    return Ending(Cause.LINK_LOST, "stopped as a link went down, as asked")


def over_the_limit(moment: Moment) -> Ending | None:
    """Did one link count more correctable errors than the limit, where that is to end it."""
    since = moment.baseline_t
    if not moment.setup.stops.rate or since is None:
        return None
    limit = moment.setup.correctable
    by_link: dict[str, list[CountedErrors]] = defaultdict(list)
    for item in (item for item in moment.counted if item.t >= since):
        by_link[item.place_id].append(item)
    for link in moment.setup.links:
        counted = () if link.bandwidth.flit_mode else by_link[link.place_id]
        found = fullest_window(counted, limit)
        if found is not None and found.proven >= limit.count:
            return Ending(Cause.ERROR_LIMIT, f"stopped as correctable errors passed {limit}, as asked")
    return None


def critically_hot(moment: Moment) -> Ending | None:
    """Is a component at its own critical temperature. Nobody has to ask for that."""
    critical = (
        entry for entry in moment.recorded if isinstance(entry, LinkEvent) and entry.kind is LinkEventKind.CRITICAL
    )
    event = next(critical, None)
    return (
        None if event is None else Ending(Cause.TEMPERATURE, f"stopped before it harms a component: {event.sentence}")
    )


def too_hot(moment: Moment) -> Ending | None:
    """Is a component as hot as is to end it."""
    limit = moment.setup.stops.temperature_c
    hottest = max((link.temperature_c or 0.0 for link in moment.sample.links.values()), default=0.0)
    if limit is None or hottest < limit:
        return None
    return Ending(Cause.TEMPERATURE, f"stopped at {hottest:g} degrees Celsius, as asked")


def time_over(moment: Moment) -> Ending | None:
    """Is the planned time over."""
    planned = moment.setup.planned_s
    if planned is None or moment.sample.t < planned:
        return None
    return Ending(Cause.PLANNED, "the planned time was over", complete=True)


def loads_over(moment: Moment) -> Ending | None:
    """Did the command, or else every load, end by itself."""
    if not moment.ended:
        return None
    return Ending(Cause.LOADS_ENDED, "the load ended", complete=moment.setup.planned_s is None)


STOP_RULES: tuple[StopRule, ...] = (
    interrupted, uncorrectable, link_lost, over_the_limit, critically_hot, too_hot, time_over, loads_over,
)  # fmt: skip


def ending(moment: Moment) -> Ending | None:
    """The first rule's that ends it here; None to go on."""
    return next((found for rule in STOP_RULES if (found := rule(moment)) is not None), None)


class Interruption:
    """The first signal that asked for the end."""

    def __init__(self) -> None:
        self.signal: signal.Signals | None = None


_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@contextmanager
def interruption(clock: Clock) -> Iterator[Interruption]:
    """While it is open, Ctrl-C and the order to end wake the clock and are remembered, so that a record is complete."""
    found = Interruption()

    def take(number: int, _: FrameType | None) -> None:
        found.signal = found.signal or signal.Signals(number)
        clock.wake()

    if threading.current_thread() is not threading.main_thread():
        yield found
        return
    before = {number: signal.signal(number, take) for number in _SIGNALS}
    try:
        yield found
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
