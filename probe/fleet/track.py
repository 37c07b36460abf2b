"""What was seen of one thing over one boot, as runs: from the first to the last moment that it was seen so.

Runs are the shortest way to write down the sequence of what was seen, so they do not depend on the order in which
moments become known. A moment is a hundredth of a second of uptime.
"""

from bisect import bisect_right
from operator import itemgetter
from typing import NamedTuple

Run = list[int]
"""First moment, last moment, what was seen (a number that stands for it)."""

Track = list[Run]

_first = itemgetter(0)


class Moment(NamedTuple):
    """A new moment of a boot, with the ones next to it."""

    at: int
    before: int | None
    after: int | None


def put(track: Track, moment: Moment, seen: int | None) -> bool:
    """Write down what was seen at a new moment; None is nothing. Whether a run began, ended inside, or was split."""
    index = bisect_right(track, moment.at, key=_first) - 1
    if index >= 0 and track[index][1] > moment.at:
        return _inside(track, index, moment, seen)
    left = index >= 0 and track[index][1] == moment.before
    right = index + 1 < len(track) and track[index + 1][0] == moment.after
    if seen is None:
        return left or right
    same_left = left and track[index][2] == seen
    same_right = right and track[index + 1][2] == seen
    if same_left and same_right:
        track[index][1] = track.pop(index + 1)[1]
    elif same_left:
        track[index][1] = moment.at
    elif same_right:
        track[index + 1][0] = moment.at
    else:
        track.insert(index + 1, [moment.at, moment.at, seen])
    return not same_left or moment.after is not None


def _inside(track: Track, index: int, moment: Moment, seen: int | None) -> bool:
    first, last, other = track[index]
    if other == seen or moment.before is None or moment.after is None:
        return False
    middle = [] if seen is None else [[moment.at, moment.at, seen]]
    track[index : index + 1] = [[first, moment.before, other], *middle, [moment.after, last, other]]
    return True
