"""Snapshots of one machine compared, in time order: values first, sentences last.

What lasts is told between the first and the last snapshot; what was counted and logged is added up over every step, and
what came and went in the middle is told too.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.snapshot import Snapshot
from probe.compare.alignment import aligned
from probe.compare.changes import Alteration, AnyChange, Comparison, InBetween, Lasting, told
from probe.compare.comparable import Comparable, Place, comparable
from probe.compare.growth import CountGrowth, ErrorsCounted, LinkErrors, added, errors_counted, status_bits
from probe.compare.host import HostChanged, host_changes
from probe.compare.judged_anew import judged_anew
from probe.compare.logged import logged
from probe.compare.presence_changes import MayHaveMoved
from probe.compare.quantities import QuantityChanged, changed, text
from probe.compare.rank import Rank
from probe.compare.removal import TOLD_BY_REMOVAL
from probe.compare.sight import NotCompared, newcomers_unread, not_compared, places_unread, unread_twice
from probe.compare.steps import Step, step, steps
from probe.compare.swaps import conclusions
from probe.errors.coverage import counter_doubts
from probe.errors.limits import Limits
from probe.errors.log_events import LogEvent
from probe.evidence import unlisted
from probe.links.topology import topology

Placed = tuple[str, Lasting]
"""A change and the key of its place; an empty key is the machine."""


def diff(before: Snapshot, after: Snapshot, limits: Limits | None = None) -> Comparison:
    """What changed between two snapshots of one machine, in time order."""
    return compare((before, after), limits)


def compare(snapshots: Sequence[Snapshot], limits: Limits | None = None) -> Comparison:
    """What changed over two snapshots or more of one machine, in time order.

    One whose functions could not be listed is left out, and the comparison is undecided: a list that was not read is no
    list of nothing.
    """
    seen = [snapshot for snapshot in snapshots if unlisted(snapshot.evidence.unread) is None]
    if len(seen) == len(snapshots):
        return compared(aligned([comparable(snapshot) for snapshot in snapshots]), limits)
    pair = seen if len(seen) > 1 else [*(seen or snapshots[:1])] * 2
    document = compared(aligned([comparable(snapshot) for snapshot in pair]), limits)
    return msgspec.structs.replace(
        document, undecided=True, snapshots=len(snapshots), notes=(*document.notes, *_left_out(snapshots))
    )


def _left_out(snapshots: Sequence[Snapshot]) -> Iterator[str]:
    for number, snapshot in enumerate(snapshots, start=1):
        unread = unlisted(snapshot.evidence.unread)
        if unread is not None:
            why = unread.detail or unread.why
            yield f"Snapshot {number} is left out: its PCI functions could not be listed ({why})."


def compared(states: Sequence[Comparable], limits: Limits | None) -> Comparison:
    """What changed over aligned snapshots."""
    taken = steps(states)
    net = taken[0] if len(taken) == 1 else step(states[0], states[-1])
    counts, events = added(item.counts for item in taken), tuple(event for item in taken for event in item.events)
    elapsed_s, latest = _elapsed(taken), _latest(states)
    errors = tuple(errors_counted(counts, latest, elapsed_s, limits or Limits()))
    lasting, uncounted = list(_lasting(net)), _uncounted(states)
    changes: list[AnyChange] = [change for _, change in lasting if not _by_rest(change)]
    changes += _errors(net, errors, counts, events, latest)
    changes += [change for item in taken for _, change in item.unclaimed]
    changes += _in_between(taken, lasting)
    return Comparison(
        host=states[-1].evidence.host.name,
        before_taken_at=states[0].evidence.host.taken_at,
        after_taken_at=states[-1].evidence.host.taken_at,
        elapsed_s=elapsed_s,
        rebooted=any(item.between.rebooted for item in taken),
        alterations=tuple(_alterations(net, lasting)),
        counts=counts,
        titles={key: place.title for key, place in latest.items()},
        components=dict(_components(states)),
        capability={key: str(place.link.possible) for key, place in states[-1].places.items()},
        events=events,
        changes=told(changes),
        errors=errors,
        notes=(*_notes(taken, counts), *_resting(net, lasting), *_told_of(uncounted)),
        backwards=any(item.between.backwards for item in taken),
        snapshots=len(states),
        undecided=any(isinstance(change, NotCompared | MayHaveMoved) and change.undecided for _, change in lasting),
        conclusions=conclusions(taken),
        uncounted=uncounted,
    )


def _lasting(of: Step) -> Iterator[Placed]:
    """What differs between the two snapshots themselves, each under the key of its place."""
    yield from (("", change) for change in host_changes(of.before.evidence.host, of.after.evidence.host))
    yield from of.presence.changes
    for key, now in of.after.places.items():
        if key in of.presence.anew:
            yield from ((key, change) for change in judged_anew(now))
    for key, then, now in of.pairs():
        differing = changed(then, now, same_component=of.is_same(key))
        way = of.removals[key].way if key in of.removals else None
        yield from ((key, item) for item in differing if item.name != way)  # told by the words of the removal
    kept = [(then, now) for key, then, now in of.pairs() if of.is_same(key)]
    yield from (("", change) for change in not_compared(kept))
    unread = places_unread(of.before.places, of.after.places, of.presence.untold)
    yield from (("", change) for change in unread)
    yield from (("", change) for change in unread_twice(kept, of.after.places.values()))
    newcomers = (now for key, now in of.after.places.items() if key in of.presence.anew)
    yield from (("", change) for change in newcomers_unread(newcomers, of.after.places.values()))


def _errors(
    net: Step,
    errors: Iterable[LinkErrors],
    counts: Sequence[CountGrowth],
    events: Iterable[LogEvent],
    places: Mapping[str, Place],
) -> Iterator[Lasting]:
    """What was counted and logged, each told once."""
    yield from (ErrorsCounted(errors=item) for item in errors)
    for key, then, now in net.pairs():
        yield from status_bits(then, now, counts, anew=key in net.presence.anew)
    told = net.removals.keys() - net.presence.perhaps
    by_removal = {net.before.places[key].link.downstream_port for key in told}
    rest = (item for item in events if not (item.address in by_removal and item.kind in TOLD_BY_REMOVAL))
    counted = frozenset((item.function, item.severity) for item in counts)
    yield from logged(rest, _titles(places), counted)


def _titles(places: Mapping[str, Place]) -> dict[str, str]:
    """The place of each address."""
    found: dict[str, str] = {}
    for place in places.values():
        component = place.link.component
        functions = component.functions if component is not None else ()
        for address in (place.link.downstream_port, *functions, *place.link.counters):
            if address is not None:
                found[address] = place.title
    return found


def _in_between(taken: Sequence[Step], lasting: Sequence[Placed]) -> Iterator[InBetween]:
    """What a step shows for the worse that the whole does not."""
    if len(taken) == 1:
        return
    known = {(key, change.kind) for key, change in lasting}
    for number, item in enumerate(taken, start=1):
        for key, change in _lasting(item):
            if change.rank is Rank.WORSE and (key, change.kind) not in known:
                yield InBetween(first=number, second=number + 1, what=change)


def _uncounted(states: Sequence[Comparable]) -> tuple[str, ...]:
    """Why the first or the last of them could not count every error."""
    doubts = (
        doubt for state in (states[0], states[-1]) for doubt in counter_doubts(state.evidence, topology(state.evidence))
    )
    return tuple(dict.fromkeys(doubt.meaning for doubt in doubts))


def _told_of(uncounted: Sequence[str]) -> Iterator[str]:
    if uncounted:
        yield f"Errors may have come that were not counted: {'; '.join(uncounted)}."


def _by_rest(change: Lasting) -> bool:
    return isinstance(change, QuantityChanged) and change.by_rest


def _resting(net: Step, lasting: Iterable[Placed]) -> Iterator[str]:
    """A word for each component that fell asleep or woke up, or was slower to save power in one of the two."""
    changed_by_rest = {key for key, change in lasting if _by_rest(change)}
    for key, then, now in net.pairs():
        if key in changed_by_rest or (net.is_same(key) and then.asleep != now.asleep):
            was, is_now = ("at rest" if place.rests else "awake" for place in (then, now))
            state = "at rest both times" if then.rests and now.rests else f"{was} before, {is_now} now"
            yield f"{now.title}: {state}; what it runs at is judged under load."


def _elapsed(taken: Sequence[Step]) -> float | None:
    times = [item.between.elapsed_s for item in taken]
    known = [time for time in times if time is not None]
    return sum(known) if len(known) == len(times) else None


def _latest(states: Sequence[Comparable]) -> dict[str, Place]:
    found: dict[str, Place] = {}
    for state in states:
        found |= state.places
    return found


def _components(states: Iterable[Comparable]) -> Iterator[tuple[str, str]]:
    """What each identity is in words."""
    for state in states:
        for place in state.places.values():
            if place.identity is not None:
                yield place.identity.shown, place.component


def _alterations(net: Step, lasting: Iterable[Placed]) -> Iterator[Alteration]:
    """The raw differences, in words only for the document."""
    for key, change in lasting:
        if isinstance(change, HostChanged):
            yield Alteration(key, change.name, change.before, change.after)
        elif isinstance(change, QuantityChanged):
            yield Alteration(key, change.name, text(change.before), text(change.after))
    for key in dict.fromkeys((*net.before.places, *net.after.places)):
        then, now = net.before.places.get(key), net.after.places.get(key)
        if (then is None) != (now is None):
            yield Alteration(key, "port", "there" if then else None, "there" if now else None)
        was, is_now = (place.identity if place is not None else None for place in (then, now))
        if (was is None) != (is_now is None) or key in net.presence.anew:
            shown = (None if identity is None else identity.shown for identity in (was, is_now))
            yield Alteration(key, "component", *shown)


def _notes(taken: Sequence[Step], counts: Sequence[CountGrowth]) -> Iterator[str]:
    backwards = any(item.between.backwards for item in taken)
    if any(item.between.rebooted and not item.between.backwards for item in taken):
        yield "The machine was started anew between the two: errors are those since then, the least that came."
    elif any(item.floor for item in counts):
        yield "A counter began anew (its component was found again, or is another): its errors are the least that came."
    if backwards:
        yield "AFTER was taken before BEFORE: nothing was counted between them."
