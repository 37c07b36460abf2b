"""The eye of a lane as numbers to draw: how far it reaches each way, as shares of the widest of its fellows.

May live here: scaling. May not: characters, colours; deciding anything.
"""

from collections.abc import Iterable

import msgspec

from probe.active.margining.document import LaneMargin, ReceiverMargin, Side


class Eye(msgspec.Struct, frozen=True, kw_only=True):
    """How far a lane reaches each way, 0 to 1; None where it was not measured. `open_ended`: ways whose range ended."""

    lane: int
    left: float | None
    right: float | None
    up: float | None
    down: float | None
    open_ended: frozenset[str] = frozenset()

    @property
    def measured(self) -> bool:
        """Any way of it was."""
        return any(share is not None for share in (self.left, self.right, self.up, self.down))


def eyes(receiver: ReceiverMargin) -> tuple[Eye, ...]:
    """The lanes of a receiver, each beside its fellows on one scale."""
    widest = max(map(_steps, _ways(receiver.lanes, "left", "right", "both_sides")), default=0) or 1
    highest = max(map(_steps, _ways(receiver.lanes, "up", "down", "both_levels")), default=0) or 1
    return tuple(_eye(lane, widest, highest) for lane in receiver.lanes)


def _ways(lanes: Iterable[LaneMargin], *names: str) -> Iterable[Side]:
    return (found for lane in lanes for name in names if (found := lane.side(name)) is not None)


def _steps(side: Side) -> int:
    return side.steps


def _eye(lane: LaneMargin, widest: int, highest: int) -> Eye:
    ways = {
        "left": lane.left or lane.both_sides, "right": lane.right or lane.both_sides,
        "up": lane.up or lane.both_levels, "down": lane.down or lane.both_levels,
    }  # fmt: skip
    scale = {"left": widest, "right": widest, "up": highest, "down": highest}
    shares = {name: None if side is None else side.steps / scale[name] for name, side in ways.items()}
    ended = frozenset(name for name, side in ways.items() if side is not None and side.at_least)
    return Eye(lane=lane.lane, open_ended=ended, **shares)
