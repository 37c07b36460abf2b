"""What k of n trainings say about the share to be expected: exact bounds, found by bisection on the binomial sum.

Clopper and Pearson (Biometrika 26:404, 1934): the lower bound is the share at which seeing k or more has probability
(1 - confidence) / 2, the upper one that at which seeing k or fewer has. No table, no special function.
"""

import math
from collections.abc import Callable

CONFIDENCE = 0.95
_STEPS = 200
_ALIKE = 1.0 + 1e-9  # equally likely tables, but for rounding


def at_most(seen: int, trials: int, share: float) -> float:
    """The probability of `seen` or fewer of `trials` at this share of each."""
    if share <= 0.0:
        return 1.0
    if share >= 1.0:
        return 1.0 if seen >= trials else 0.0
    log_hit, log_miss = math.log(share), math.log1p(-share)
    return math.fsum(
        math.exp(
            math.lgamma(trials + 1) - math.lgamma(count + 1) - math.lgamma(trials - count + 1)
            + count * log_hit + (trials - count) * log_miss
        )
        for count in range(seen + 1)
    )  # fmt: skip


def interval(seen: int, trials: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The two-sided exact interval of the share. `trials` is at least 1, `seen` at most that."""
    tail = (1.0 - confidence) / 2.0
    return 1.0 - _upper(trials - seen, trials, tail), _upper(seen, trials, tail)


def _upper(seen: int, trials: int, tail: float) -> float:
    return 1.0 if seen == trials else _bisect(lambda share: at_most(seen, trials, share) > tail)


def none_shows(trials: int, confidence: float = CONFIDENCE) -> float:
    """The share below which it lies, at this confidence and one-sided, where none of `trials` was seen."""
    return -math.expm1(math.log1p(-confidence) / trials)


def told_apart(one: tuple[int, int], other: tuple[int, int]) -> float:
    """The probability of a difference like this or greater between `seen of trials` twice, if the share is the same.

    Fisher's exact test, two-sided: all tables of the same margins that are no likelier than this one (R. A. Fisher,
    J. Roy. Stat. Soc. 85:87, 1922).
    """
    seen, trials = one[0] + other[0], one[1] + other[1]

    def chance(first: int) -> float:
        return math.comb(one[1], first) * math.comb(other[1], seen - first) / math.comb(trials, seen)

    own = chance(one[0]) * _ALIKE
    possible = range(max(0, seen - other[1]), min(seen, one[1]) + 1)
    return min(1.0, math.fsum(each for each in map(chance, possible) if each <= own))


def _bisect(below: Callable[[float], bool]) -> float:
    low, high = 0.0, 1.0
    for _ in range(_STEPS):
        middle = (low + high) / 2.0
        if middle in {low, high}:
            break
        low, high = (middle, high) if below(middle) else (low, middle)
    return (low + high) / 2.0
