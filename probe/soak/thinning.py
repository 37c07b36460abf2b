"""A journal thinned: what is old is told in fewer lines, and what it comes to stays the same. Pure.

Samples become the least, mean and most of each value with the time in each state; of the rest see `folding.py`.
"""

from collections.abc import Iterable, Iterator, Sequence

import msgspec

from probe.soak.circumstances import Run, Times
from probe.soak.folding import Folding
from probe.soak.journal import Entry, LinkSample, Sample, Spread, Start, StateTime, Thinned, moment
from probe.soak.tally import LinkTally

_FIELDS = LinkSample.__struct_fields__


class Sizes(msgspec.Struct, frozen=True, kw_only=True):
    """How many of the last samples stay as they are, how many become one, and how many of those stay so."""

    fine: int = 1800
    bucket: int = 60
    coarse: int = 1440


USUAL = Sizes()


def thinned(recorded: Iterable[Entry], sizes: Sizes = USUAL) -> Iterator[Entry]:
    """The same entries, which are gone through several times, with what is old in fewer."""
    run = Run.of(recorded)
    borders = _Borders.of(recorded, sizes)
    times, folding = Times(run.gaps), Folding(run)
    bucket = _Bucket(run)
    for entry in recorded:
        if isinstance(entry, Sample | Thinned):
            seconds = times.take(entry)
            if borders.old(entry):
                bucket.take(entry, seconds)
            if bucket.entries == sizes.bucket or not borders.old(entry):
                yield from bucket.emptied()
            if not borders.old(entry):
                yield entry
        elif isinstance(entry, Start) or moment(entry) >= borders.fine_from:
            yield entry
        else:
            yield from folding.take(entry)
    yield from bucket.emptied()
    yield from folding.rest()


class _Borders(msgspec.Struct, frozen=True):
    """From when on samples stay as they are, and buckets of them."""

    fine_from: float
    buckets_from: float

    @classmethod
    def of(cls, recorded: Iterable[Entry], sizes: Sizes) -> "_Borders":
        fine: list[float] = []
        buckets: list[float] = []
        for entry in recorded:
            if isinstance(entry, Sample):
                fine.append(entry.t)
            elif isinstance(entry, Thinned):
                buckets.append(entry.t)
        return cls(_nth_last(fine, sizes.fine), _nth_last(buckets, sizes.coarse))

    def old(self, entry: Sample | Thinned) -> bool:
        return entry.t < (self.fine_from if isinstance(entry, Sample) else self.buckets_from)


def _nth_last(moments: Sequence[float], count: int) -> float:
    return moments[-count] if len(moments) > count else 0.0


class _Bucket:
    """Samples, and buckets of them, on the way to become one."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._taken: list[Sample | Thinned] = []
        self._tallies: dict[str, LinkTally] = {}

    @property
    def entries(self) -> int:
        return len(self._taken)

    def take(self, entry: Sample | Thinned, seconds: float) -> None:
        self._taken.append(entry)
        for place_id in entry.links:
            tally = self._tallies.setdefault(place_id, LinkTally())
            if isinstance(entry, Thinned):
                tally.thinned(entry.links[place_id], entry.states.get(place_id, ()), seconds)
            else:
                sample = entry.links[place_id]
                load = self._run.evidence.at(entry.t, place_id, sample)
                tally.sampled(sample, seconds, load, counts=entry.t > self._run.baseline_s)

    def emptied(self) -> Iterator[Thinned]:
        """All of them as one; nothing where there are none."""
        if self._taken:
            yield Thinned(
                self._taken[0].t,
                moment(self._taken[-1]),
                sum(item.samples if isinstance(item, Thinned) else 1 for item in self._taken),
                {place_id: self._spreads(place_id) for place_id in sorted(self._tallies)},
                {place_id: self._states(place_id) for place_id in sorted(self._tallies)},
            )
            self._taken, self._tallies = [], {}

    def _states(self, place_id: str) -> tuple[StateTime, ...]:
        return tuple(self._tallies[place_id].times())

    def _spreads(self, place_id: str) -> tuple[Spread | None, ...]:
        taken = [item for item in self._taken if place_id in item.links]
        return tuple(_spread(place_id, index, taken) for index in range(len(_FIELDS)))


def _spread(place_id: str, index: int, taken: Sequence[Sample | Thinned]) -> Spread | None:
    found: list[tuple[Spread, int]] = []
    for item in taken:
        if isinstance(item, Thinned):
            spread = item.links[place_id][index]
            if spread is not None:
                found.append((spread, item.samples))
        else:
            value = getattr(item.links[place_id], _FIELDS[index])
            if value is not None:
                found.append((Spread(value, value, value), 1))
    if not found:
        return None
    mean = sum(spread.mean * count for spread, count in found) / sum(count for _, count in found)
    return Spread(min(spread.least for spread, _ in found), round(mean, 3), max(spread.most for spread, _ in found))
