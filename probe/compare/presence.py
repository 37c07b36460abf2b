"""What is in each place: components gone, come, moved and replaced, functions and ports gone or come.

A component is another one only where what was read of both contradicts; it moved where its serial number, which no
other component has, is found elsewhere. What is wired below something that went is told with it.
"""

from collections import Counter
from collections.abc import Iterator, Mapping

import msgspec

from probe.compare.comparable import Comparable, Place
from probe.compare.identity import Identity
from probe.compare.presence_changes import (
    Came,
    FunctionChanged,
    Gone,
    MayHaveMoved,
    Moved,
    PortChanged,
    PresenceChange,
    Replaced,
)
from probe.compare.removal import Removal


class Presence(msgspec.Struct, frozen=True, kw_only=True):
    """What changed in which place, by the key of the place."""

    changes: tuple[tuple[str, PresenceChange], ...]
    anew: frozenset[str]
    """The places whose component is not the one that was in them."""
    untold: frozenset[str]
    """The places that one of the two lists and could not read: whether they are as they were is not known."""
    perhaps: frozenset[str] = frozenset()
    """The places whose component may be in another now."""


def presence(before: Comparable, after: Comparable, removals: Mapping[str, Removal]) -> Presence:
    """Who went, came and moved between two snapshots; `removals` says of a place how it was emptied."""
    return _Census(before, after, removals).taken()


class _Census:
    """The places of two snapshots side by side."""

    def __init__(self, before: Comparable, after: Comparable, removals: Mapping[str, Removal]) -> None:
        self._then, self._now = before, after
        self._before, self._after, self._removals = before.places, after.places, removals
        self._keys = list(dict.fromkeys((*self._before, *self._after)))
        self._untold = frozenset(
            key
            for key in self._before.keys() ^ self._after.keys()
            if before.could_not_read(place := self._before.get(key) or self._after[key]) or after.could_not_read(place)
        )
        self._moved = self._moves()
        self._left = set(self._moved.values())
        self._perhaps = self._may_have_moved()

    def taken(self) -> Presence:
        """Every change, each told once."""
        told = [(key, change) for key in self._keys if key not in self._untold for change in self._of(key)]
        anew = frozenset(key for key in self._keys if self._is_another(key))
        perhaps = frozenset(self._perhaps.values())
        return Presence(changes=tuple(told), anew=anew - self._untold, untold=self._untold, perhaps=perhaps)

    def _moves(self) -> dict[str, str]:
        """Where a component is now, to where it was, for those with a serial number that is theirs alone."""
        was, now = _by_serial(self._before), _by_serial(self._after)
        pairs = ((was[serial], now[serial]) for serial in was.keys() & now.keys() if was[serial] != now[serial])
        return {now: was for was, now in pairs if self._cannot_have_stayed(was, now)}

    def _may_have_moved(self) -> dict[str, str]:
        """Where a component is new, to a place that lost one, where only a serial number not read could tell."""
        lost = [key for key in self._before if self._lost_its_own(key) and not self._went_along(key)]
        found: dict[str, str] = {}
        for key in self._after:
            if self._has_a_new(key) and not self._went_along(key):
                source = next((was for was in lost if was not in found.values() and self._may_be(was, key)), None)
                found |= {} if source is None else {key: source}
        return found

    def _lost_its_own(self, key: str) -> bool:
        """Whether what was in a place is not in it any more, and is not known to be elsewhere."""
        now = self._after.get(key)
        gone = now is None or now.identity is None or key in self._moved
        return gone and self._before[key].identity is not None and key not in self._left | self._untold

    def _has_a_new(self, key: str) -> bool:
        """Whether something is in a place that was not, and is not known to come from elsewhere."""
        then = self._before.get(key)
        new = then is None or then.identity is None or key in self._left
        return new and self._after[key].identity is not None and key not in self._moved.keys() | self._untold

    def _may_be(self, was: str, now: str) -> bool:
        then, here = self._before[was], self._after[now]
        return _agree(then, here) and (self._then.serial_not_read(then) or self._now.serial_not_read(here))

    def _cannot_have_stayed(self, was: str, now: str) -> bool:
        """Whether it left the old place or is new in the new one, for all that was read: serials are given twice."""
        moved = self._before[was].identity
        new = now not in self._untold and _excludes(self._before.get(now), moved)
        left = was not in self._untold and _excludes(self._after.get(was), moved)
        return new or left

    def _is_another(self, key: str) -> bool:
        then, now = self._before.get(key), self._after.get(key)
        if now is None or now.identity is None:
            return False
        if key in self._moved or then is None or then.identity is None or key in self._left:
            return True
        return now.identity.differs_from(then.identity)

    def _of(self, key: str) -> Iterator[PresenceChange]:
        then, now = self._before.get(key), self._after.get(key)
        if self._went_along(key):
            return
        if key in self._moved and now is not None:
            yield self._move(key, now)
        was_here = then is not None and then.identity is not None and key not in self._left
        is_here = now is not None and now.identity is not None and key not in self._moved
        if then is not None and now is not None and was_here and is_here:
            yield from self._replaced(then, now) if self._is_another(key) else _functions(then, now)
        elif then is not None and was_here:
            if key not in self._perhaps.values():
                yield self._gone(key, then, now)
        elif now is not None and key in self._perhaps:
            yield self._perhaps_moved(self._before[self._perhaps[key]], now)
        elif now is not None and is_here:
            below = tuple(self._after[item].title for item in self._beneath(self._after, now) if self._is_new(item))
            yield Came(place=now.title, component=now.component, identity=_shown(now), below=below)
        elif then is None and now is not None and now.identity is None:
            yield PortChanged(place=now.title, there=True)
        elif now is None and then is not None and then.identity is None:
            yield PortChanged(place=then.title, there=False)

    def _move(self, key: str, now: Place) -> Moved:
        serial = now.identity.serial if now.identity is not None else None
        return Moved(
            place=now.title, source=self._before[self._moved[key]].title, component=now.component, serial=serial or ""
        )

    @staticmethod
    def _perhaps_moved(then: Place, now: Place) -> MayHaveMoved:
        return MayHaveMoved(
            place=now.title, source=then.title, component=now.component,
            before_identity=_shown(then), after_identity=_shown(now),
        )  # fmt: skip

    @staticmethod
    def _replaced(then: Place, now: Place) -> Iterator[Replaced]:
        yield Replaced(
            place=now.title, before=then.component, after=now.component,
            before_identity=_shown(then), after_identity=_shown(now),
        )  # fmt: skip

    def _gone(self, key: str, then: Place, now: Place | None) -> Gone:
        below = tuple(self._before[item].title for item in self._beneath(self._before, then) if self._is_lost(item))
        return Gone(
            place=(now or then).title, component=then.component, identity=_shown(then),
            removal=self._removals.get(key, Removal()),
            with_port=now is None and then.link.downstream_port is not None, below=below,
        )  # fmt: skip

    def _is_lost(self, key: str) -> bool:
        now = self._after.get(key)
        if key in self._untold:
            return False
        return now is None or (self._before[key].identity is not None and now.identity is None)

    def _is_new(self, key: str) -> bool:
        then = self._before.get(key)
        return key not in self._untold and (then is None or then.identity is None)

    @staticmethod
    def _beneath(places: Mapping[str, Place], top: Place) -> Iterator[str]:
        return (key for key, place in places.items() if place.id.startswith(f"{top.id}/"))

    def _went_along(self, key: str) -> bool:
        """Whether it went, came or moved with something above it that is told already."""
        then, now = self._before.get(key), self._after.get(key)
        if key in self._moved and now is not None:
            return any(
                self._moved.get(above) in self._over(self._before, self._moved[key])
                for above in self._over(self._after, key)
            )
        if key in self._left and now is None:
            return True
        if then is not None and self._is_lost(key):
            return any(self._told_with(above, then, self._after) for above in self._over(self._before, key))
        if now is not None and self._is_new(key):
            return any(self._told_with(above, now, self._before) for above in self._over(self._after, key))
        return False

    def _told_with(self, above: str, place: Place, others: Mapping[str, Place]) -> bool:
        """Whether what happened to the component above says what happened to this place too."""
        gone = others is self._after
        there = (self._before if gone else self._after)[above]
        if there.identity is None:
            return False
        elsewhere = self._counterpart(above, gone=gone)
        if elsewhere is not None:
            wired = f"{others[elsewhere].id}{place.id.removeprefix(there.id)}"
            twin = next((other for other in others.values() if other.id == wired), None)
            return twin is not None and _agree(twin, place)
        if self._is_lost(above) if gone else self._is_new(above):
            return True
        return self._is_another(above) and place.identity is None

    def _counterpart(self, key: str, *, gone: bool) -> str | None:
        """Where a component that moved is in the other snapshot."""
        if not gone:
            return self._moved.get(key)
        return next((now for now, then in self._moved.items() if then == key), None)

    def _over(self, places: Mapping[str, Place], key: str) -> list[str]:
        place = places[key]
        return [other for other, above in places.items() if place.id.startswith(f"{above.id}/")]


def _excludes(place: Place | None, identity: Identity | None) -> bool:
    """Whether what was read of a place says that this component is not in it."""
    if place is None or place.identity is None or identity is None:
        return True
    return place.identity.differs_from(identity)


def _agree(one: Place, other: Place) -> bool:
    if one.identity is None or other.identity is None:
        return one.identity is other.identity
    return not one.identity.differs_from(other.identity)


def _by_serial(places: Mapping[str, Place]) -> dict[str, str]:
    known = [(place.identity.serial, key) for key, place in places.items() if place.identity and place.identity.serial]
    counts = Counter(serial for serial, _ in known)
    return {serial: key for serial, key in known if counts[serial] == 1}


def _functions(then: Place, now: Place) -> Iterator[FunctionChanged]:
    before, after = then.function_numbers, now.function_numbers
    for number in sorted(before.keys() - after.keys()):
        yield FunctionChanged(place=now.title, component=now.component, function=before[number], there=False)
    for number in sorted(after.keys() - before.keys()):
        yield FunctionChanged(place=now.title, component=now.component, function=after[number], there=True)


def _shown(place: Place) -> str:
    return place.identity.shown if place.identity is not None else "none"
