"""How a lane compares with its fellows: by median and spread, which one odd lane among them does not move.

A lane is odd one way where its score passes that of `probe.compare.outlying`; a margin is known to a step. Fewer than
four lanes cannot say which is odd.
"""

from collections.abc import Iterator

from probe.active.margining.document import SIDES, LaneMargin, OddLane, ReceiverMargin
from probe.compare.outlying import MOST_SCORE, middle_of

FEWEST_LANES = 4
_STEP = 1


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
    middle = middle_of([steps for _, steps in measured])
    for lane, steps in measured:
        score = middle.score(steps, _STEP)
        if abs(score) > MOST_SCORE:
            yield OddLane(
                receiver=receiver.number, lane=lane.lane, side=side, steps=steps, median_steps=middle.median,
                spread_steps=middle.deviation, score=round(abs(score), 2), narrower=score < 0,
            )  # fmt: skip
