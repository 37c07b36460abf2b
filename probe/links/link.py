"""One physical link: its two ends, the state both agree on, the best both can do, and the links around it."""

from enum import StrEnum
from functools import cached_property
from typing import TypeVar

import msgspec

from probe.links.end import LinkEnd, link_end
from probe.links.fact import Fact, value_of
from probe.links.function import FunctionFacts
from probe.links.kind_of_link import KindOfLink
from probe.links.reason import Reason
from probe.links.slots import Slot
from probe.links.speed_limits import SpeedLimit
from probe.links.state import LinkState
from probe.links.topology import Pair
from probe.registers.table_language import Field

T = TypeVar("T")


class WhichEnd(StrEnum):
    """What the two ends of a link are called in documents."""

    PORT = "port"
    COMPONENT = "component"


class Link(msgspec.Struct, frozen=True, dict=True, eq=False, kw_only=True):
    """A link with all that a verdict may rest on. `port` is None where it is hidden; no `component` where none is.

    `above` is the link that this one hangs on, `below` are the links that hang on this one. `place_id` is the way from
    the root as it is wired. Links are compared by identity.
    """

    port: LinkEnd | None
    component: LinkEnd | None
    functions: tuple[FunctionFacts, ...]
    virtual_functions: tuple[FunctionFacts, ...] = ()
    kind: KindOfLink
    place_id: str
    slot: Slot | None = None
    speed_limits: tuple[SpeedLimit, ...] = ()
    speed: Fact[float] | None = None
    width: Fact[int] | None = None
    disagreement: Reason | None = None
    emulated_port: bool = False
    above: "Link | None" = None
    below: "list[Link]" = msgspec.field(default_factory=list)

    @cached_property
    def ends(self) -> tuple[LinkEnd, ...]:
        """The ends that are there."""
        return tuple(end for end in (self.port, self.component) if end is not None)

    @property
    def named_ends(self) -> tuple[tuple[WhichEnd, LinkEnd], ...]:
        """The ends that are there, each with what it is called."""
        named = ((WhichEnd.PORT, self.port), (WhichEnd.COMPONENT, self.component))
        return tuple((name, end) for name, end in named if end is not None)

    @cached_property
    def judging_ends(self) -> tuple[LinkEnd, ...]:
        """The ends that state both of their own capabilities; never an emulated port's claim."""
        return tuple(end for end in self.ends if end.states_its_best and not (self.emulated_port and end is self.port))

    @property
    def component_tells_no_state(self) -> bool:
        """The component's Link Status reads 0, as that of a virtual function does."""
        return self.component is not None and self.component.status_reads_zero

    @cached_property
    def negotiated(self) -> LinkState:
        """What the link runs at."""
        return LinkState(value_of(self.speed), value_of(self.width))

    @cached_property
    def possible(self) -> LinkState:
        """The best that all ends that say so can do: the highest speed common to their vectors, the lesser width."""
        if not self.judging_ends:
            return LinkState()
        widths = [end.best_width.value for end in self.judging_ends if end.best_width]
        return LinkState(_common_speed(self.judging_ends), min(widths))

    @cached_property
    def shortfall(self) -> tuple[str, ...]:
        """Which of `speed` and `width` are below what is possible."""
        now, best = self.negotiated, self.possible
        short = []
        if now.speed_gts is not None and best.speed_gts is not None and now.speed_gts < best.speed_gts:
            short.append("speed")
        if now.width is not None and best.width is not None and now.width < best.width:
            short.append("width")
        return tuple(short)

    @property
    def chain(self) -> "tuple[Link, ...]":
        """The links from the root down to this one."""
        return (*(self.above.chain if self.above is not None else ()), self)

    def port_fact(self, field: Field[T]) -> Fact[T] | None:
        """A field of the port above; None where the port is hidden or the field was not read."""
        return None if self.port is None else self.port.function.read(field)


def _common_speed(ends: tuple[LinkEnd, ...]) -> float:
    """The highest speed that every end supports; the least of their maxima where they have none in common."""
    least = min(end.best_speed.value for end in ends if end.best_speed)
    vectors = [set(end.speeds) for end in ends if end.speeds]
    common = {speed for speed in set.intersection(*vectors) if speed <= least} if vectors else set()
    return max(common, default=least)


def make_link(  # noqa: PLR0913 - what a link is made of
    pair: Pair,
    *,
    kind: KindOfLink,
    place_id: str,
    slot: Slot | None,
    limits: tuple[SpeedLimit, ...],
    above: Link | None,
) -> Link:
    """The link of a pair, with the state that its ends report."""
    port = None if pair.port is None else link_end(pair.port)
    component = link_end(pair.below[0]) if pair.below else None
    emulated = _emulated(port, component)
    speed, width, disagreement = _state(None if emulated else port, component)
    link = Link(
        port=port,
        component=component,
        functions=pair.below,
        virtual_functions=pair.virtual,
        kind=kind,
        place_id=place_id,
        slot=slot,
        speed_limits=limits,
        speed=speed,
        width=width,
        disagreement=disagreement,
        emulated_port=emulated,
        above=above,
    )
    if above is not None:
        above.below.append(link)
    return link


def _emulated(port: LinkEnd | None, component: LinkEnd | None) -> bool:
    """The port claims less than the component runs at, which no port of a real link does."""
    if port is None or component is None or component.speed is None or component.width is None:
        return False
    if port.speed is None or port.width is None:
        return False
    ours, theirs = (port.speed.value, port.width.value), (component.speed.value, component.width.value)
    return ours != theirs and ours[0] <= theirs[0] and ours[1] <= theirs[1]


def _state(
    port: LinkEnd | None, component: LinkEnd | None
) -> tuple[Fact[float] | None, Fact[int] | None, Reason | None]:
    """The state reported; where the ends disagree, the lesser, and a word about it. An empty port has none."""
    if component is None:
        return None, None, None
    if port is None or port.speed is None or port.width is None:
        return (port and port.speed) or component.speed, (port and port.width) or component.width, None
    if component.speed is None or component.width is None:
        return port.speed, port.width, None
    ours = (port.speed.value, port.width.value)
    theirs = (component.speed.value, component.width.value)
    if ours == theirs:
        return port.speed, port.width, None
    reason = Reason(
        f"Link Status of {port.address} and of {component.address}",
        f"{LinkState(*ours)} against {LinkState(*theirs)}",
        "the two ends report different states of one link; the lesser is taken",
    )
    if ours[0] * ours[1] <= theirs[0] * theirs[1]:
        return port.speed, port.width, reason
    return component.speed, component.width, reason
