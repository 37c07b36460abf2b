"""Old events, errors, passes and differences, told as one of each kind an hour (errors: a window of the limit). Pure.

The first of each kind stay as they are. What a result rests on stays whole: every error count, that something happened
and how often, the rates with their median. Errors that a limit is for become one only where they alone go over it.
"""

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence

import msgspec

from probe.errors.limits import Limit
from probe.loads.results import Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent
from probe.soak.circumstances import Run
from probe.soak.journal import Entry, Passes, PhaseSums, moment
from probe.soak.rates import Rates, added
from probe.soak.together import phase_sums
from probe.soak.windows import limited

_HOUR_S = 3600.0
_STAY = 10
"""Of one kind in an hour."""

_Fewer = Callable[[Sequence[Entry]], Iterable[Entry]]


class _Fold(msgspec.Struct, frozen=True):
    """Entries of one kind within one stretch of time, and what makes fewer of them."""

    stretch: int
    fewer: _Fewer
    entries: list[Entry]


class Folding:
    """Stretches of time that are open, one for each kind; one is closed when an entry of a later one comes."""

    def __init__(self, run: Run) -> None:
        self._links = run.all_links
        self._baseline_s = run.baseline_s
        self._limit = Limit.parse(run.start.correctable_limit)
        self._open: dict[Hashable, _Fold] = {}

    def take(self, entry: Entry) -> Iterator[Entry]:
        """What can be told now that this entry is known."""
        match entry:
            case LinkEvent():
                yield from self._into((entry.kind, entry.place_id, entry.bad), entry, _HOUR_S, _few)
            case Mismatch():
                yield from self._into((entry.load, entry.target, entry.place_id), entry, _HOUR_S, _few)
            case CountedErrors() if self._within_one(entry):
                key = (entry.place_id, entry.counted.key, entry.t >= self._baseline_s)
                yield from self._into(key, entry, self._limit.seconds, self._errors)
            case Pass() | Passes() | PhaseSums():
                yield from self._into(None, entry, _HOUR_S, self._rates)
            case _:
                yield entry

    def rest(self) -> Iterator[Entry]:
        """What is still open, at the end."""
        for fold in self._open.values():
            yield from fold.fewer(fold.entries)
        self._open.clear()

    def _into(self, key: Hashable, entry: Entry, length_s: float, fewer: _Fewer) -> Iterator[Entry]:
        stretch = int(moment(entry) // length_s)
        fold = self._open.get(key)
        if fold is None or fold.stretch != stretch:
            yield from () if fold is None else fold.fewer(fold.entries)
            fold = self._open[key] = _Fold(stretch, fewer, [])
        fold.entries.append(entry)

    def _within_one(self, entry: CountedErrors) -> bool:
        """Whether all of them came in the window in which they were counted."""
        since = entry.t if entry.since is None else entry.since
        return since // self._limit.seconds == entry.t // self._limit.seconds

    def _errors(self, entries: Sequence[Entry]) -> Iterable[Entry]:
        counted = [item for item in entries if isinstance(item, CountedErrors)]
        total = sum(item.count for item in counted)
        if limited(counted[0]) and total < self._limit.count:
            return entries
        since = min(item.t if item.since is None else item.since for item in counted)
        return [msgspec.structs.replace(counted[-1], count=total, since=since)]

    def _rates(self, entries: Sequence[Entry]) -> Iterator[Entry]:
        fine = [item for item in entries if isinstance(item, Pass)]
        kept = [item for item in entries if isinstance(item, Passes)]
        yield from (item for item in fine if not _is_measured(item))
        yield from _added_passes([*kept, *(_as_passes(item) for item in fine if _is_measured(item))])
        yield from _added_sums(
            [item for item in (*entries, *phase_sums(fine, self._links)) if isinstance(item, PhaseSums)]
        )


def _few(entries: Sequence[Entry]) -> Iterator[Entry]:
    """The first, and all others as one."""
    yield from entries[:_STAY]
    others = [item for item in entries[_STAY:] if isinstance(item, LinkEvent | Mismatch)]
    if others:
        times = sum(item.times for item in others)
        until = {"until": max(map(moment, others))} if isinstance(others[0], LinkEvent) else {}
        yield msgspec.structs.replace(others[0], times=times, **until)


def _is_measured(item: Pass) -> bool:
    return item.bytes > 0 and item.seconds > 0


def _as_passes(item: Pass) -> Passes:
    rates = Rates.of([item.bytes / item.seconds])
    return Passes(t=item.t, since=item.t - item.seconds, like=item, rates=rates, lost=item.lost)


def _added_passes(items: Iterable[Passes]) -> Iterator[Passes]:
    groups: dict[Hashable, list[Passes]] = defaultdict(list)
    for item in items:
        like = item.like
        groups[
            like.load, like.target, like.place_id, like.peer_place_id, like.direction, like.phase, like.verified
        ].append(item)
    for found in groups.values():
        yield Passes(
            t=max(item.t for item in found), since=min(item.since for item in found), like=found[0].like,
            rates=added(item.rates for item in found), lost=sum(item.lost for item in found),
        )  # fmt: skip


def _added_sums(items: Iterable[PhaseSums]) -> Iterator[PhaseSums]:
    groups: dict[Hashable, list[PhaseSums]] = defaultdict(list)
    for item in items:
        groups[item.phase, item.members, item.over].append(item)
    for found in groups.values():
        yield msgspec.structs.replace(
            found[0], t=max(item.t for item in found), since=min(item.since for item in found),
            rates=added(item.rates for item in found),
        )  # fmt: skip
