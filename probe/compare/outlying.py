"""How far a value lies from its fellows: by median and spread, which one odd value among them does not move.

The score is 0.6745 times the distance from the median, over the median absolute deviation; past 3.5 a value is odd
(Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC 1993, from memory). The deviation is taken as at least
half of how finely a value is known, and as at least a twentieth of the median: else the odd one among equals would be a
step away (our own choice, no published source).
"""

from collections.abc import Sequence
from statistics import median

import msgspec

MOST_SCORE = 3.5
_NORMAL = 0.6745
_LEAST_SHARE = 0.05


class Middle(msgspec.Struct, frozen=True):
    """The median of some values, and the median distance from it."""

    median: float
    deviation: float

    def score(self, value: float, step: float) -> float:
        """How far a value lies off, known to within `step`; below the median it is negative."""
        spread = max(self.deviation, step / 2, _LEAST_SHARE * abs(self.median))
        return _NORMAL * (value - self.median) / spread if spread else 0.0


def middle_of(values: Sequence[float]) -> Middle:
    """The middle of at least one value."""
    centre = median(values)
    return Middle(centre, median(abs(value - centre) for value in values))
