"""What belongs to no single link of a soak: what fails the whole, and what keeps it from passing. Pure."""

from collections import defaultdict
from collections.abc import Iterator, Sequence

import msgspec

from probe.compare.changes import Change
from probe.compare.rank import Rank
from probe.counted import counted
from probe.loads.results import Mismatch
from probe.soak.at_least import ways_not_held, ways_too_slow
from probe.soak.journal import LoadEnded
from probe.soak.seen import Seen
from probe.soak.throughput import Throughput


class OwnReasons(msgspec.Struct, frozen=True, kw_only=True):
    """In words: what failed, and what is in doubt."""

    failed: tuple[str, ...]
    doubts: tuple[str, ...]


def own_reasons(seen: Seen, changes: Sequence[Change], carried: Sequence[Throughput]) -> OwnReasons:
    """Those of a run, of what changed between its snapshots, and of what was carried."""
    failed = (*_failures(seen.mismatches, seen.ended, changes), *ways_too_slow(carried))
    doubts = ways_not_held(carried, seen.run.start.at_least)
    return OwnReasons(failed=tuple(dict.fromkeys(failed)), doubts=tuple(doubts))


def _failures(mismatches: Sequence[Mismatch], results: Sequence[LoadEnded], changes: Sequence[Change]) -> Iterator[str]:
    """What fails the whole beside its links."""
    yield from _differences(mismatches)
    for result in results:
        if result.failure is not None:
            yield f"load {result.load}: {result.failure}"
        elif result.status:
            yield f"load {result.load} ended with status {result.status}"
    yield from (f"{change.place}: {change.sentence}" for change in changes if change.rank is Rank.WORSE)


def _differences(mismatches: Sequence[Mismatch]) -> Iterator[str]:
    by_target: dict[str, list[Mismatch]] = defaultdict(list)
    for mismatch in mismatches:
        by_target[mismatch.target].append(mismatch)
    for target, found in by_target.items():
        times = sum(mismatch.times for mismatch in found)
        where = f"first at offset {found[0].offset} ({counted(found[0].bits, 'bit')})"
        yield f"{target}: data came back changed, {counted(times, 'time')}, {where}"
