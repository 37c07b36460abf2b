"""One physical link: its two ends, the state both agree on, and the best both can do."""

from functools import cached_property

import msgspec

from probe.links.facts import Fact, FunctionFacts, LinkEnd, link_end, value_of
from probe.links.kind_of_link import KindOfLink
from probe.links.reason import Reason
from probe.links.slots import Place
from probe.links.state import LinkState
from probe.links.topology import Pair
from probe.registers import express


class Link(msgspec.Struct, frozen=True, dict=True):
    """A link with all that a verdict may rest on. `port` is None where it is hidden; no `component` where none is."""

    port: LinkEnd | None
    component: LinkEnd | None
    functions: tuple[FunctionFacts, ...]
    standing: KindOfLink
    place: Place
    holders: tuple[Reason, ...] = ()
    speed: Fact[float] | None = None
    width: Fact[int] | None = None
    disagreement: Reason | None = None

    @cached_property
    def ends(self) -> tuple[LinkEnd, ...]:
        """The ends that are there."""
        return tuple(end for end in (self.port, self.component) if end is not None)

    @cached_property
    def judging_ends(self) -> tuple[LinkEnd, ...]:
        """The ends that state both of their own capabilities."""
        return tuple(end for end in self.ends if end.states_its_best)

    @cached_property
    def negotiated(self) -> LinkState:
        """What the link runs at."""
        return LinkState(value_of(self.speed), value_of(self.width))

    @cached_property
    def possible(self) -> LinkState:
        """The best that all ends that say so can do."""
        if not self.judging_ends:
            return LinkState()
        speeds = [end.best_speed.value for end in self.judging_ends if end.best_speed]
        widths = [end.best_width.value for end in self.judging_ends if end.best_width]
        return LinkState(min(speeds), min(widths))

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

    def flag(self, name: str) -> Fact[bool] | None:
        """A bit of Link Status that is set at either end, else as either end has it."""
        facts = [
            fact for end in self.ends if (fact := end.function.express_flag(express.LINK_STATUS[name])) is not None
        ]
        return next((fact for fact in facts if fact.value), facts[0] if facts else None)


def best_of(end: LinkEnd | None) -> LinkState:
    """What one end can do by its own word."""
    if end is None:
        return LinkState()
    return LinkState(value_of(end.best_speed), value_of(end.best_width))


def make_link(pair: Pair, standing: KindOfLink, place: Place, holders: tuple[Reason, ...]) -> Link:
    """The link of a pair, with the state that its ends report."""
    port = None if pair.port is None else link_end(pair.port)
    component = link_end(pair.below[0]) if pair.below else None
    if component is None:
        return Link(port, None, (), standing, place, holders)
    speed, width, disagreement = _state(port, component)
    return Link(port, component, pair.below, standing, place, holders, speed, width, disagreement)


def _state(port: LinkEnd | None, component: LinkEnd) -> tuple[Fact[float] | None, Fact[int] | None, Reason | None]:
    """The state reported; where the ends disagree, the lesser, and a word about it."""
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
