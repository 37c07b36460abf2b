"""Correctable link errors held against a limit in every window of its length, wherever that lies. Pure.

What is counted after a gap came at some moment of the gap: then some windows are proven to hold errors, and others may.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence

import msgspec

from probe.errors.attribution import ErrorFinding, findings, is_link_error
from probe.errors.counts import CounterKey, summed
from probe.errors.limits import Limit
from probe.observe.events import CountedErrors
from probe.registers.errors import Severity


class Fullest(msgspec.Struct, frozen=True):
    """The most errors of one counter that a window is proven to hold, the most it may hold, and the finding to tell."""

    proven: int
    possible: int
    finding: ErrorFinding


def limited(item: CountedErrors) -> bool:
    """Whether the limit is for errors of this kind: correctable ones of the lanes."""
    return item.severity is Severity.CORRECTABLE and any(map(is_link_error, findings([item.counted])))


def fullest_window(counted: Iterable[CountedErrors], limit: Limit) -> Fullest | None:
    """The window of one link that holds most by one counter; None where no error counts against the limit.

    One event may be counted by several counters, so their counts are never added up.
    """
    by_counter: dict[CounterKey, list[CountedErrors]] = defaultdict(list)
    everything = sorted(counted, key=lambda item: item.t)
    for item in everything:
        if limited(item):
            by_counter[item.counted.key].append(item)
    if not by_counter:
        return None
    length = limit.seconds
    found = [(_most(items, length, sure=True), _most(items, length, sure=False)) for items in by_counter.values()]
    (proven, begin, end), _ = max(found, key=lambda pair: (pair[0], pair[1]))
    within = [item.counted for item in everything if limited(item) and begin <= item.t <= end]
    finding = max(findings(summed(within)), key=lambda item: item.events)
    return Fullest(proven, max(possible for _, (possible, _, _) in found), finding)


def _most(items: Sequence[CountedErrors], length: float, *, sure: bool) -> tuple[int, float, float]:
    """The most in a window of this length, and from when to when; what is not sure takes each at its best moment."""
    best = max((_share(item, length) if sure else item.count, item.t, item.t) for item in items)
    first = total = 0
    for item in items:
        total += item.count
        while _apart(items[first], item, sure=sure) > length and items[first] is not item:
            total -= items[first].count
            first += 1
        if total > best[0] and _apart(items[first], item, sure=sure) <= length:
            best = (total, items[first].t, item.t)
    return best


def _share(item: CountedErrors, length: float) -> int:
    """Of what came in so long a time, as much as some window of this length must hold."""
    windows = max(1, math.ceil((item.t - _since(item)) / length))
    return math.ceil(item.count / windows)


def _apart(first: CountedErrors, last: CountedErrors, *, sure: bool) -> float:
    """How far two are apart at the most, or at the least where that is to be known."""
    return last.t - _since(first) if sure else _since(last) - first.t


def _since(item: CountedErrors) -> float:
    return item.t if item.since is None else item.since
