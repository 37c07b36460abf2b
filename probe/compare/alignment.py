"""Snapshots of one machine laid over each other: the same place under one key in all, identities carried forward.

A place is found again by the way it is wired. Where a controller got another number (a renumbered domain, a root bus
that is gone), what is wired below it tells which it is; a place that lost its way is found by a slot name that only it
has.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence

import msgspec

from probe.compare.comparable import Comparable, Place
from probe.compare.identity import Identity
from probe.compare.interval import interval
from probe.links.link import WhichEnd

_SAME_SERIAL, _SAME_WIRING, _SAME_NUMBER, _ANOTHER, _NOT_THERE = 8.0, 1.0, 0.5, -8.0, -1.0


def identities(seen: Comparable) -> dict[str, Identity]:
    """What is known of the component in each place, by the wiring in this snapshot: to be carried forward."""
    return {place.id: place.identity for place in seen.places.values() if place.identity is not None}


def aligned(snapshots: Sequence[Comparable], known: Mapping[str, Identity] | None = None) -> tuple[Comparable, ...]:
    """The same snapshots in time order, each place under the key it had when it was first seen.

    `known` are the `identities` that were known before the first of them was taken.
    """
    first, *rest = snapshots
    if known:
        snapshots = (_filled(first, known), *rest)
    return _in_order(snapshots)


def _filled(seen: Comparable, known: Mapping[str, Identity]) -> Comparable:
    places = {}
    for key, place in seen.places.items():
        earlier, identity = known.get(place.id), place.identity
        if identity is not None and earlier is not None and not identity.differs_from(earlier):
            identity = identity.filled_from(earlier)
        places[key] = msgspec.structs.replace(place, identity=identity)
    return Comparable(places, seen.evidence)


def _in_order(snapshots: Sequence[Comparable]) -> tuple[Comparable, ...]:
    known: dict[str, Place] = {}
    found: list[Comparable] = []
    for seen in snapshots:
        keys = _keys(known, seen.places)
        before = found[-1].places if found else {}
        read = {place.identity.serial for place in seen.places.values() if place.identity is not None}
        places = {keys[place.id]: _continued(place, keys[place.id], before, read) for place in seen.places.values()}
        if found and not interval(found[-1].evidence.host, seen.evidence.host).rebooted:
            places = {key: _counting_on(place, before.get(key)) for key, place in places.items()}
        known |= places
        found.append(Comparable(places, seen.evidence))
    return tuple(found)


def _continued(place: Place, key: str, before: Mapping[str, Place], read: Collection[str | None]) -> Place:
    """The place under its key, with what an earlier snapshot knew of the component that is still in it.

    A serial number that is read elsewhere now (one of `read`) went there, and says nothing of this place.
    """
    earlier = before[key].identity if key in before else None
    identity = place.identity
    if identity is not None and earlier is not None and not identity.differs_from(earlier):
        gone = identity.serial is None and earlier.serial in read
        identity = identity if gone else identity.filled_from(earlier)
    return msgspec.structs.replace(place, key=key, identity=identity)


def _counting_on(place: Place, earlier: Place | None) -> Place:
    """The place with what its counters last said, of ends that are as they were; a boot begins them all anew."""
    if earlier is None:
        return place
    was, is_now = earlier.identity, place.identity
    same = was is not None and is_now is not None and not is_now.differs_from(was)
    counters = {key: found for key, found in earlier.last_read.items() if same or key[0] is WhichEnd.PORT}
    return msgspec.structs.replace(place, earlier=counters)


def _keys(known: Mapping[str, Place], seen: Mapping[str, Place]) -> dict[str, str]:
    """The key of each place seen, by its own wiring."""
    by_wiring = {place.id: key for key, place in known.items()}
    controllers = _controllers(known.values(), seen.values())
    keys: dict[str, str] = {}
    for place in seen.values():
        controller, below = _split(place.id)
        wired = f"{controllers[controller]}/{below}"
        if wired in by_wiring:
            keys[place.id] = by_wiring[wired]
    lost = known.keys() - keys.values()
    named_before, named_now = _slot_names(known.values()), _slot_names(seen.values())
    for name, place in named_now.items():
        earlier = named_before.get(name)
        if earlier is not None and place.id not in keys and earlier.key in lost:
            keys[place.id] = earlier.key
            lost.discard(earlier.key)
    taken = {*known, *keys.values()}
    for place in seen.values():
        if place.id not in keys:
            keys[place.id] = _unused(place.id, taken)
            taken.add(keys[place.id])
    return keys


def _unused(key: str, taken: Iterable[str]) -> str:
    number = 1
    while key in taken:
        number += 1
        key = f"{key.partition('#')[0]}#{number}"
    return key


def _split(wiring: str) -> tuple[str, str]:
    """The controller (domain and root bus of it) and the way below it."""
    domain, _, rest = wiring.partition("/")
    root, _, below = rest.partition("/")
    return f"{domain}/{root}", below


def _controllers(earlier: Iterable[Place], seen: Iterable[Place]) -> dict[str, str | None]:
    """Each controller seen, to the number it had before; None for one that was not there."""
    before, now = _by_controller(earlier), _by_controller(seen)
    if before.keys() == now.keys():
        return {name: name for name in now}
    scored = sorted(
        ((_likeness(before[old], now[new]) + _SAME_NUMBER * (old == new), old, new) for old in before for new in now),
        key=lambda item: (-item[0], item[1], item[2]),
    )
    found: dict[str, str | None] = {}
    for score, old, new in scored:
        if score > 0 and new not in found and old not in found.values():
            found[new] = old
    for new in now.keys() - found.keys():
        found[new] = new if new in before and new not in found.values() else None
    return found


def _by_controller(places: Iterable[Place]) -> dict[str, dict[str, Place]]:
    found: dict[str, dict[str, Place]] = defaultdict(dict)
    for place in places:
        controller, below = _split(place.id)
        found[controller][below] = place
    return found


def _likeness(before: Mapping[str, Place], now: Mapping[str, Place]) -> float:
    """How much of what is wired below two controllers agrees; what was not read says nothing."""
    score = _NOT_THERE * len(before.keys() ^ now.keys())
    for below in before.keys() & now.keys():
        one, other = before[below].identity, now[below].identity
        score += _SAME_WIRING
        if one is None or other is None:
            continue
        if one.differs_from(other):
            score += _ANOTHER
        elif one.serial is not None and one.serial == other.serial:
            score += _SAME_SERIAL
    return score


def _slot_names(places: Iterable[Place]) -> dict[tuple[str, str], Place]:
    """Places by a name that no other place has; firmware gives one number to several."""
    names = [
        ((item.source, item.name), place)
        for place in places
        for item in (place.link.slot.names if place.link.slot is not None else ())
    ]
    counts = Counter(name for name, _ in names)
    return {name: place for name, place in names if counts[name] == 1}
