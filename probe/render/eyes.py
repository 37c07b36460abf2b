"""The eye of a lane as numbers to draw: how far it reaches each way, as shares of the widest of its fellows.

May live here: scaling. May not: characters, colours; deciding anything.
"""

from collections.abc import Iterable

import msgspec

from probe.active.margining.document import SIDES, LaneMargin, ReceiverMargin, Side

_ACROSS, _ALONG = ("left", "right", "both_sides"), ("up", "down", "both_levels")


class Eye(msgspec.Struct, frozen=True, kw_only=True):
    """How far a lane reaches each way, 0 to 1; None where it was not measured. `open_ended`: ways whose range ended.

    `flat`: the receiver cannot move in voltage, so there is no height to draw. `steps`: the same in words.
    """

    lane: int
    left: float | None
    right: float | None
    up: float | None
    down: float | None
    open_ended: frozenset[str] = frozenset()
    flat: bool = False
    steps: tuple[str, str] = ("", "")

    @property
    def measured(self) -> bool:
        """Any way of it was."""
        return any(share is not None for share in (self.left, self.right, self.up, self.down))


class Scale(msgspec.Struct, frozen=True):
    """What reaches the frame of a drawing: the most steps that any lane has, in time and in voltage, in words."""

    across: str
    along: str | None

    def sentence(self) -> str:
        """The scale of a row of drawings."""
        height = "" if self.along is None else f", {self.along} up or down"
        return f"one scale for all lanes: the edge is {self.across} to a side{height}"


def eyes(receiver: ReceiverMargin) -> tuple[Eye, ...]:
    """The lanes of a receiver, each beside its fellows on one scale."""
    widest, highest = _most(receiver, _ACROSS) or 1, _most(receiver, _ALONG) or 1
    flat = receiver.capabilities is not None and not receiver.capabilities.voltage
    return tuple(_eye(lane, widest, highest, flat=flat) for lane in receiver.lanes)


def scale(receiver: ReceiverMargin) -> Scale:
    """The scale on which `eyes` has the lanes."""
    widest, highest = _most(receiver, _ACROSS), _most(receiver, _ALONG)
    can = receiver.capabilities
    ui = None if can is None else can.ui(widest)
    volts = None if can is None else can.volts(highest)
    across = f"{widest} steps" + ("" if ui is None else f" ({ui:.3f} UI)")
    along = f"{highest} steps" + ("" if volts is None else f" ({volts * 1e3:.0f} mV)")
    return Scale(across, along if can is None or can.voltage else None)


def bits_say(receiver: ReceiverMargin) -> str | None:
    """What the last good steps of all lanes speak for, by the weakest of them; None where none tells its bits."""
    seen = [side.last_good for lane in receiver.lanes for name in SIDES if (side := lane.side(name)) is not None]
    known = [(step.ratio_below, step.bits) for step in seen if step and step.bits and step.ratio_below]
    if not known:
        return None
    ratio, bits = max(known)
    return f"each last good step says: a bit error ratio below {ratio:.1e} there (95 %), from {bits:.1e} bits or more"


def _most(receiver: ReceiverMargin, names: Iterable[str]) -> int:
    found = (lane.side(name) for name in names for lane in receiver.lanes)
    return max((side.steps for side in found if side is not None), default=0)


def _eye(lane: LaneMargin, widest: int, highest: int, *, flat: bool) -> Eye:
    ways = {
        "left": lane.left or lane.both_sides, "right": lane.right or lane.both_sides,
        "up": lane.up or lane.both_levels, "down": lane.down or lane.both_levels,
    }  # fmt: skip
    most = {"left": widest, "right": widest, "up": highest, "down": highest}
    shares = {name: None if side is None else side.steps / most[name] for name, side in ways.items()}
    ended = frozenset(name for name, side in ways.items() if side is not None and side.at_least)
    told = (_pair(ways["left"], ways["right"]), "" if flat else _pair(ways["up"], ways["down"]))
    return Eye(lane=lane.lane, open_ended=ended, flat=flat, steps=told, **shares)


def _pair(one: Side | None, other: Side | None) -> str:
    return f"{_steps(one)} | {_steps(other)}"


def _steps(side: Side | None) -> str:
    if side is None:
        return "?"
    return f"{side.steps}+" if side.at_least else str(side.steps)
