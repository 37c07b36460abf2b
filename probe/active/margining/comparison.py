"""How a lane compares with its fellows: by median and spread, which one odd lane among them does not move.

A lane is odd one way where its score passes 3.5: 0.6745 times its distance from the median, over the median absolute
deviation (Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC 1993, from memory). The deviation is taken as
at least half a step, which is how finely a margin is known, and as at least a twentieth of the median: else the odd one
among equals would be a step away (our own choice, no published source). Fewer than four lanes cannot say which is odd.
"""

from collections.abc import Iterator
from statistics import median

from probe.active.margining.document import SIDES, LaneMargin, OddLane, ReceiverMargin

FEWEST_LANES = 4
MOST_SCORE = 3.5
_NORMAL = 0.6745
_LEAST_STEPS = 0.5
_LEAST_SHARE = 0.05


def odd_lanes(receiver: ReceiverMargin) -> tuple[OddLane, ...]:
    """The lanes of a receiver that are unlike their fellows, the farthest first."""
    found = [odd for side in SIDES for odd in _odd(receiver, side)]
    return tuple(sorted(found, key=lambda odd: (-odd.score, odd.lane, odd.side)))


def compared_sides(receiver: ReceiverMargin) -> tuple[str, ...]:
    """The ways in which enough lanes were measured to compare them."""
    return tuple(side for side in SIDES if len(_measured(receiver, side)) >= FEWEST_LANES)


def _measured(receiver: ReceiverMargin, side: str) -> list[tuple[LaneMargin, int]]:
    return [(lane, found.steps) for lane in receiver.lanes if (found := lane.side(side)) is not None]


def _odd(receiver: ReceiverMargin, side: str) -> Iterator[OddLane]:
    if side not in compared_sides(receiver):
        return
    measured = _measured(receiver, side)
    middle = median(steps for _, steps in measured)
    deviation = median(abs(steps - middle) for _, steps in measured)
    spread = max(deviation, _LEAST_STEPS, _LEAST_SHARE * middle)
    for lane, steps in measured:
        score = _NORMAL * abs(steps - middle) / spread
        if score > MOST_SCORE:
            yield OddLane(
                receiver=receiver.number, lane=lane.lane, side=side, steps=steps, median_steps=middle,
                spread_steps=deviation, score=round(score, 2), narrower=steps < middle,
            )  # fmt: skip
