"""One snapshot after another: who is where, what was counted and what was logged in the time between."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import msgspec

from probe.compare.comparable import Comparable, Place
from probe.compare.growth import CountGrowth, growth
from probe.compare.interval import Interval, interval
from probe.compare.logged import events_between
from probe.compare.presence import Presence, presence
from probe.compare.removal import Removal, removal
from probe.compare.unclaimed import Unclaimed, unclaimed
from probe.errors.log_events import LogEvent


class Step(msgspec.Struct, frozen=True, kw_only=True):
    """Two aligned snapshots and the time between them."""

    before: Comparable
    after: Comparable
    between: Interval
    events: tuple[LogEvent, ...]
    presence: Presence
    removals: Mapping[str, Removal]
    counts: tuple[CountGrowth, ...]
    unclaimed: tuple[tuple[str, Unclaimed], ...]

    def pairs(self) -> Iterator[tuple[str, Place, Place]]:
        """The places that both have."""
        for key, now in self.after.places.items():
            then = self.before.places.get(key)
            if then is not None:
                yield key, then, now

    def is_same(self, key: str) -> bool:
        """Whether one component is in this place in both, for all that was read of it."""
        then, now = self.before.places.get(key), self.after.places.get(key)
        there = then is not None and now is not None and None not in {then.identity, now.identity}
        return there and key not in self.presence.anew


def step(before: Comparable, after: Comparable) -> Step:
    """What two aligned snapshots show."""
    between = interval(before.evidence.host, after.evidence.host)
    events = events_between(before.evidence, after.evidence, between)
    removals = {key: removal(then, after.places.get(key), after, events) for key, then in _emptied(before, after)}
    present = presence(before, after, removals)
    counts = tuple(
        item
        for key, now in after.places.items()
        if key not in present.untold
        for item in growth(before.places.get(key), now, between, anew=key in present.anew)
    )
    return Step(
        before=before, after=after, between=between, events=events, presence=present, removals=removals, counts=counts,
        unclaimed=tuple(unclaimed(before, after, between, counts)),
    )  # fmt: skip


def steps(snapshots: Sequence[Comparable]) -> tuple[Step, ...]:
    """Each aligned snapshot with the one after it."""
    return tuple(step(before, after) for before, after in pairwise(snapshots))


def _emptied(before: Comparable, after: Comparable) -> Iterator[tuple[str, Place]]:
    for key, then in before.places.items():
        now = after.places.get(key)
        if then.identity is not None and (now is None or now.identity is None):
            yield key, then
