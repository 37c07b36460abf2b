"""Errors and bits to a ratio with exact bounds, and back: how long a link must run clean.

Errors are counted as a Poisson process. Bounds are Garwood's (Biometrika 28:437, 1936): with k errors seen, the upper
bound at confidence C is the mean m at which seeing k or fewer has probability 1 - C, and the lower bound the m at which
seeing k or more has. Both are found by bisection on the Poisson sum itself: no table, no special function.

1e-12 is no acceptance limit: at 32 GT/s x16 it would let pass about 1,843 errors an hour each way, while healthy links
show none for days. Where the published limits (6 in 2 hours) come from: illumos `pciex.esc`.
"""

import math
from collections.abc import Callable

from probe.exceptions import InputError

TARGET = 1e-12
"""The ratio that the Base Specification aims at up to 32 GT/s (AMD UG1586; PCI-SIG seminar 2014)."""

_STEPS = 200
_NEGLIGIBLE = 1e-18
_MOST = 1_000_000_000


def poisson_at_most(errors: int, mean: float) -> float:
    """The probability of `errors` or fewer where `mean` are expected."""
    return _sum_down(errors, mean) if mean > errors else 1.0 - _sum_up(errors + 1, mean)


def poisson_at_least(errors: int, mean: float) -> float:
    """The probability of `errors` or more where `mean` are expected."""
    return _sum_up(errors, mean) if mean < errors else 1.0 - _sum_down(errors - 1, mean)


def _sum_down(count: int, mean: float) -> float:
    """The probabilities of `count`, `count` - 1 and so on, each less than the one before since `mean` is greater."""
    total, term = 0.0, _probability(count, mean)
    while count >= 0 and term > total * _NEGLIGIBLE:
        total += term
        term *= count / mean
        count -= 1
    return total


def _sum_up(count: int, mean: float) -> float:
    """The probabilities of `count`, `count` + 1 and so on, each less than the one before since `mean` is less."""
    total, term = 0.0, _probability(count, mean)
    while term > total * _NEGLIGIBLE:
        total += term
        count += 1
        term *= mean / count
    return total


def _probability(count: int, mean: float) -> float:
    if count < 0 or mean == 0.0:
        return 1.0 if count == 0 else 0.0
    return math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))


def upper_mean(errors: int, confidence: float) -> float:
    """The greatest mean that is consistent with `errors`, one-sided. Raises InputError for a bad argument."""
    _check(errors, confidence)
    return _bisect(lambda mean: poisson_at_most(errors, mean) > 1.0 - confidence, errors)


def lower_mean(errors: int, confidence: float) -> float:
    """The least mean that is consistent with `errors`, one-sided; 0 for none. Raises InputError."""
    _check(errors, confidence)
    if errors == 0:
        return 0.0
    return _bisect(lambda mean: poisson_at_least(errors, mean) < 1.0 - confidence, errors)


def interval(errors: int, confidence: float) -> tuple[float, float]:
    """The two-sided interval of the mean at this confidence."""
    one_sided = 1.0 - (1.0 - confidence) / 2.0
    return lower_mean(errors, one_sided), upper_mean(errors, one_sided)


def clean_seconds(bits_s: float, ratio: float = TARGET, confidence: float = 0.95, errors: int = 0) -> float:
    """How long a link of this bit rate must run, with no more than `errors`, to show a ratio below `ratio`."""
    return upper_mean(errors, confidence) / (ratio * bits_s)


def _bisect(below: Callable[[float], bool], errors: int) -> float:
    low, high = 0.0, errors + 10.0
    while below(high):
        high *= 2.0
    for _ in range(_STEPS):
        middle = (low + high) / 2.0
        if middle in {low, high}:
            break
        low, high = (middle, high) if below(middle) else (low, middle)
    return (low + high) / 2.0


def _check(errors: int, confidence: float) -> None:
    if errors < 0:
        raise InputError("errors cannot be negative", where=str(errors), remedy="give a count")
    if errors > _MOST:
        remedy = f"give {_MOST:,} or fewer; a link with more needs no ratio"
        raise InputError("are too many errors for exact bounds", where=str(errors), remedy=remedy)
    if not 0.0 < confidence < 1.0:
        raise InputError("no confidence", where=str(confidence), remedy="give one between 0 and 1, as 0.95")
