"""Many rates as few numbers, so that those of hours can be added up and their median still be told.

Rates are counted in steps of a two-hundredth: each sum of sums is the same in whatever order it was made. Pure.
"""

import math
from collections import Counter
from collections.abc import Iterable
from typing import Self

import msgspec

_STEP = 1.005


class Rates(msgspec.Struct, frozen=True):
    """How many there were, the least and the most, and how many fell into each step; bytes a second."""

    count: int
    least: float
    most: float
    steps: dict[int, int]

    @classmethod
    def of(cls, rates: Iterable[float]) -> Self:
        """Of one rate and more, each above zero. Raises ValueError where there is none."""
        listed = list(rates)
        steps = Counter(math.floor(math.log(rate, _STEP)) for rate in listed)
        return cls(len(listed), min(listed), max(listed), dict(sorted(steps.items())))

    def __add__(self, other: "Rates") -> "Rates":
        """Those of both."""
        steps = Counter(self.steps) + Counter(other.steps)
        least, most = min(self.least, other.least), max(self.most, other.most)
        return Rates(self.count + other.count, least, most, dict(sorted(steps.items())))

    @property
    def median(self) -> float:
        """The middle one, to a two-hundredth."""
        left = (self.count + 1) // 2
        for step, count in sorted(self.steps.items()):
            left -= count
            if left <= 0:
                middle: float = _STEP ** (step + 0.5)
                return min(max(middle, self.least), self.most)
        return self.most


def added(rates: Iterable[Rates]) -> Rates:
    """All of one and more. Raises ValueError where there is none."""
    first, *others = rates
    for item in others:
        first += item
    return first
