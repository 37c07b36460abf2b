"""What is kept of a chronicle as it ages: settled history keeps changes and days, expired history goes. Pure.

Settling leaves out the moments at which nothing changed, but for the first and the last of a day, and the steps of an
error counter within a day, but for the last. A file that comes later still finds its place; only where it contradicts
settled history are the neighbours of its moment known no better than to the day.
"""

from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise

from probe.fleet.boots import PlacedBoot, placed
from probe.fleet.chronicle import Boot, Chronicle, Counted, Thing
from probe.fleet.track import Run, Track

_DAY_S = 86_400
SETTLE_DAYS = 21
"""Longer than most hosts are cut off for; and a quarter-hourly year stays smaller than three daily ones."""


def settle(chronicle: Chronicle, before_s: int) -> bool:
    """Thin whole days before a time. Whether anything went."""
    gone = [_settle(chronicle, item, before_s - before_s % _DAY_S) for item in placed(chronicle.boots)]
    if any(gone):
        _forget_unused(chronicle)
    return any(gone)


def _settle(chronicle: Chronicle, placed_boot: PlacedBoot, before_s: int) -> bool:
    boot = placed_boot.boot
    if placed_boot.at(boot.moments[0]) >= before_s:
        return False
    steps = [_settle_counters(track, chronicle, placed_boot, before_s) for track in boot.counted.values()]
    boot.settled = max(boot.settled, *(moment for moment in boot.moments if placed_boot.at(moment) < before_s))
    kept = _kept(placed_boot, before_s)
    thinned = [moment for moment in boot.moments if moment in kept or placed_boot.at(moment) >= before_s]
    if len(thinned) < len(boot.moments):
        _drop(boot, thinned)
        return True
    return any(steps)


def _kept(placed_boot: PlacedBoot, before_s: int) -> set[int]:
    """The moments that must stay: ends of runs, and each day's first and last."""
    boot = placed_boot.boot
    tracks = (boot.facts, *boot.links.values(), *boot.counted.values())
    kept = {moment for track in tracks for run in track for moment in run[:2]}
    days: dict[int, tuple[int, int]] = {}
    for moment in boot.moments:
        day = placed_boot.at(moment) // _DAY_S
        days[day] = (days.get(day, (moment, moment))[0], moment)
        if placed_boot.at(moment) >= before_s:
            break
    return kept | {moment for ends in days.values() for moment in ends}


def _drop(boot: Boot, thinned: list[int]) -> None:
    remaining = set(thinned)
    last = thinned[0]
    for moment in boot.moments:
        if moment in remaining:
            last = moment
        else:
            boot.dropped[last] = boot.dropped.get(last, 0) + 1 + boot.dropped.pop(moment, 0)
    boot.moments = thinned


def _settle_counters(track: Track, chronicle: Chronicle, placed_boot: PlacedBoot, before_s: int) -> bool:
    """Leave out a step where the next one comes on the same day and nothing began anew around it."""
    index, gone = 1, False
    while index + 1 < len(track):
        earlier, step, later = track[index - 1 : index + 2]
        same_day = placed_boot.at(step[0]) // _DAY_S == placed_boot.at(later[0]) // _DAY_S
        if placed_boot.at(later[1]) < before_s and same_day and _climbs(chronicle, earlier, step, later):
            del track[index]
            gone = True
        else:
            index += 1
    return gone


def _climbs(chronicle: Chronicle, *runs: Run) -> bool:
    seen = [chronicle.counted[run[2]] for run in runs]
    return all(_grew(one, other) for one, other in pairwise(seen))


def _grew(one: Counted, other: Counted) -> bool:
    now = {key[:4]: key[4] for key in other.counts}
    return one.read == other.read and all(now.get(key[:4], 0) >= key[4] for key in one.counts)


def expire(chronicle: Chronicle, before_s: int) -> bool:
    """Leave out everything that was seen before a time. Whether anything went."""
    gone = False
    for item in placed(chronicle.boots):
        if item.end_s < before_s:
            del chronicle.boots[item.id]
            gone = True
        elif item.at(item.boot.moments[0]) < before_s:
            _cut(item.boot, next(moment for moment in item.boot.moments if item.at(moment) >= before_s))
            gone = True
    old = [key for key, tested in chronicle.results.items() if tested.wall_s < before_s]
    for key in old:
        del chronicle.results[key]
    if gone:
        _forget_unused(chronicle)
    return gone or bool(old)


def _cut(boot: Boot, start: int) -> None:
    boot.moments = boot.moments[bisect_left(boot.moments, start) :]
    boot.dropped = {moment: count for moment, count in boot.dropped.items() if moment >= start}
    for track in (boot.facts, *boot.links.values(), *boot.counted.values()):
        track[:] = [[max(run[0], start), *run[1:]] for run in track if run[1] >= start]


def _forget_unused(chronicle: Chronicle) -> None:
    """Number anew the things that are still seen, so that nothing stays of the others."""
    boots = chronicle.boots.values()
    _numbered_anew(chronicle.facts, [boot.facts for boot in boots])
    _numbered_anew(chronicle.links, [track for boot in boots for track in boot.links.values()])
    _numbered_anew(chronicle.counted, [track for boot in boots for track in boot.counted.values()])


def _numbered_anew(things: list[Thing], tracks: Sequence[Track]) -> None:
    used = sorted({run[2] for track in tracks for run in track})
    numbers = {old: new for new, old in enumerate(used)}
    for track in tracks:
        for run in track:
            run[2] = numbers[run[2]]
    things[:] = [things[old] for old in used]
