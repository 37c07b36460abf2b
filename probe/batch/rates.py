"""How likely so many events or more would be here, were they spread over all machines alike. Exact; no table.

Of events in a time: each of all events falls on this machine with its share of the time (Przyborowski and Wilenski,
Biometrika 31 (1940) 313). Of trials: R. A. Fisher's exact test, the hypergeometric tail.
"""

import math
from collections.abc import Callable

_NEGLIGIBLE = 1e-15


def events_at_least(seen: int, events: int, share: float) -> float:
    """The chance of `seen` or more of `events`, each falling here with this share, above 0 and below 1."""
    if seen <= events * share:
        return 1.0  # at or below the mean nothing needs to be known more exactly
    first = (
        math.lgamma(events + 1) - math.lgamma(seen + 1) - math.lgamma(events - seen + 1)
        + seen * math.log(share) + (events - seen) * math.log1p(-share)
    )  # fmt: skip
    odds = share / (1.0 - share)
    return _tail(first, seen, events, lambda count: (events - count) / (count + 1) * odds)


def trials_at_least(seen: int, trials: int, short: int, all_trials: int) -> float:
    """The chance that `seen` or more of `trials` were short, where `short` of all trials were and these were any."""
    if seen <= trials * short / all_trials:
        return 1.0
    others = all_trials - short
    first = _log_choose(short, seen) + _log_choose(others, trials - seen) - _log_choose(all_trials, trials)

    def ratio(count: int) -> float:
        return (short - count) * (trials - count) / ((count + 1) * (others - trials + count + 1))

    return _tail(first, seen, min(short, trials), ratio)


def _tail(log_first: float, first: int, last: int, ratio: Callable[[int], float]) -> float:
    """The sum from one count on, of which each is `ratio` times the one before; past the mean they only fall."""
    term = total = math.exp(log_first)
    for count in range(first, last):
        term *= ratio(count)
        total += term
        if term < total * _NEGLIGIBLE:
            break
    return min(total, 1.0)


def _log_choose(of: int, count: int) -> float:
    return math.lgamma(of + 1) - math.lgamma(count + 1) - math.lgamma(of - count + 1)
