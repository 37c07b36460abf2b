"""Two snapshots compared. Raw differences first, sentences last, so that consecutive comparisons can be merged."""

from collections.abc import Iterator

import msgspec

from probe.audit.names import described
from probe.audit.snapshot import Snapshot
from probe.compare.changes import Alteration, Comparison, CountGrowth
from probe.compare.comparable import OCCUPANT, PlacePortrait, Portrait, portrait
from probe.compare.ranking import tell
from probe.errors.limits import Limits
from probe.errors.log_events import EventKind, LogEvent, log_events
from probe.evidence import LogLine

_TOLD = frozenset({
    EventKind.ERROR, EventKind.CONTAINMENT, EventKind.LINK_DOWN, EventKind.LINK_UP, EventKind.CARD,
    EventKind.SPEED_HELD, EventKind.FIRMWARE_RECORD, EventKind.COMPLETION_TIMEOUT,
})  # fmt: skip


def diff(before: Snapshot, after: Snapshot, limits: Limits | None = None) -> Comparison:
    """What changed between two snapshots of one machine, in time order."""
    old, new = portrait(before), portrait(after)
    rebooted = old.boot_id != new.boot_id and None not in {old.boot_id, new.boot_id}
    pairs = list(_pairs(old, new))
    raw = Comparison(
        host=after.evidence.host.name,
        before_taken_at=old.taken_at,
        after_taken_at=new.taken_at,
        elapsed_s=_elapsed(old, new, rebooted=rebooted),
        rebooted=rebooted,
        alterations=(*_altered("", old.host, new.host), *_alterations(pairs)),
        counts=tuple(growth for place, then, now in pairs for growth in _growth(place, then, now, rebooted=rebooted)),
        titles={place: (now or then).title for place, then, now in pairs},  # type: ignore[union-attr] # a pair has one at least
        components=dict(_components(old, new)),
        capability={place: str(item.link.possible) for place, item in new.places.items()},
        events=_events(before, after, rebooted=rebooted),
    )
    return tell(raw, {place: item.link for place, item in new.places.items()}, limits or Limits())


Paired = tuple[str, PlacePortrait | None, PlacePortrait | None]


def _pairs(old: Portrait, new: Portrait) -> Iterator[Paired]:
    """Places by the way they are wired; one that lost its way is found by a slot name that only it has."""
    leftover_old = {place: item for place, item in old.places.items() if place not in new.places}
    leftover_new = {place: item for place, item in new.places.items() if place not in old.places}
    by_slot = {_slot(item): place for place, item in leftover_new.items() if _slot(item) is not None}
    for place in sorted(old.places.keys() & new.places.keys()):
        yield place, old.places[place], new.places[place]
    for place, item in sorted(leftover_old.items()):
        found = by_slot.get(_slot(item)) if _slot(item) is not None else None
        yield place, item, leftover_new.pop(found) if found in leftover_new else None
    for place, item in sorted(leftover_new.items()):
        yield place, None, item


def _slot(item: PlacePortrait) -> str | None:
    return item.link.slot.title if item.link.slot is not None else None


def _alterations(pairs: list[Paired]) -> Iterator[Alteration]:
    for place, then, now in pairs:
        before = {} if then is None else then.values
        after = {} if now is None else now.values
        yield from _altered(place, before, after)
        if (then is None) != (now is None):
            yield Alteration(place, "port", "there" if then else None, "there" if now else None)


def _altered(place: str, before: dict[str, str | None], after: dict[str, str | None]) -> Iterator[Alteration]:
    for name in sorted(before.keys() | after.keys()):
        if before.get(name) != after.get(name):
            yield Alteration(place, name, before.get(name), after.get(name))


def _growth(
    place: str, then: PlacePortrait | None, now: PlacePortrait | None, *, rebooted: bool
) -> Iterator[CountGrowth]:
    """Growth of each counter. One that went down, or a reboot, began anew: what it shows is the least that came."""
    if now is None:
        return
    other = then is None or then.values.get(OCCUPANT) != now.values.get(OCCUPANT)
    before = {} if then is None or other else then.counts
    after = now.counts
    anew = rebooted or other or any(after.get(key, 0) < count for key, count in before.items())
    for key, count in sorted(after.items()):
        grown = count if anew else count - before.get(key, 0)
        if grown > 0:
            yield CountGrowth(place, *key, grown, anew)


def _components(old: Portrait, new: Portrait) -> Iterator[tuple[str, str]]:
    """What each identity is in words."""
    for item in (*old.places.values(), *new.places.values()):
        known, text = item.values.get(OCCUPANT), described(item.link)
        if known is not None and text is not None:
            yield known, text


def _elapsed(old: Portrait, new: Portrait, *, rebooted: bool) -> float | None:
    """By the boot clock: between the two within one boot, since boot across one."""
    if new.uptime_s is None:
        return None
    if rebooted:
        return new.uptime_s
    return None if old.uptime_s is None else new.uptime_s - old.uptime_s


def _events(before: Snapshot, after: Snapshot, *, rebooted: bool) -> tuple[LogEvent, ...]:
    """Log events of the time between: after BEFORE's uptime within one boot, all since boot across one."""
    since = None if rebooted else before.evidence.host.uptime_s
    seen = set() if rebooted else set(before.evidence.kernel_log)

    def wanted(line: LogLine) -> bool:
        if line.time_s is not None and since is not None:
            return line.time_s > since
        return line not in seen

    lines = [line for line in after.evidence.kernel_log if wanted(line)]
    return tuple(event for event in log_events(lines) if event.kind in _TOLD)


def merge(first: Comparison, second: Comparison) -> Comparison:
    """Two consecutive comparisons as one of their ends: raw differences composed, to be told anew.

    Equal to comparing the ends directly, but where a counter began anew between: there the merged count is better.
    """
    altered: dict[tuple[str, str], Alteration] = {}
    for item in (*first.alterations, *second.alterations):
        earlier = altered.get((item.place, item.name))
        before = item.before if earlier is None else earlier.before
        altered[item.place, item.name] = Alteration(item.place, item.name, before, item.after)
    grown: dict[tuple[str, str, str, str, str], CountGrowth] = {}
    for growth in (*first.counts, *second.counts):
        key = (growth.place, growth.end, growth.function, growth.severity, growth.error)
        sofar = grown.get(key)
        count = growth.count + (sofar.count if sofar is not None else 0)
        floor = growth.floor or (sofar is not None and sofar.floor)
        grown[key] = CountGrowth(*key, count, floor)
    elapsed = None if None in {first.elapsed_s, second.elapsed_s} else (first.elapsed_s or 0) + (second.elapsed_s or 0)
    return msgspec.structs.replace(
        second,
        before_taken_at=first.before_taken_at,
        elapsed_s=elapsed,
        rebooted=first.rebooted or second.rebooted,
        alterations=tuple(item for item in altered.values() if item.before != item.after),
        counts=tuple(grown.values()),
        events=(*first.events, *second.events),
        titles=first.titles | second.titles,
        components=first.components | second.components,
    )
