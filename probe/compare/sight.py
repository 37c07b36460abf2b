"""What could not be compared, because it was read in one snapshot only. Unknown is told, never counted."""

from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum

import msgspec
from msgspec import structs

from probe.compare.comparable import FunctionKey, Place
from probe.compare.growth import counters_only_in
from probe.compare.quantities import SPEED, VERDICT, WIDTH, only_in
from probe.compare.rank import Rank
from probe.errors.counts import ErrorTotals
from probe.links.kind_of_link import KindOfLink
from probe.verdict.verdicts import Verdict

COUNTERS, OCCUPANT = "error counters", "what is there"
DECIDING = frozenset({VERDICT, SPEED, WIDTH, COUNTERS})
"""What a comparison cannot do without: where one of these is lost, nothing was found does not mean nothing was."""

_SHOWN = 3


class When(StrEnum):
    """In which snapshot something was read."""

    BEFORE = "before"
    AFTER = "after"
    NEVER = "never"


class NotCompared(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="not compared"):
    """Something that was read in one snapshot only. `undecided` says that the comparison cannot do without it."""

    place: str
    places: tuple[str, ...]
    quantities: tuple[str, ...]
    read_in: When
    undecided: bool = False

    kind = "not compared"
    rank = Rank.NEUTRAL
    urgent = False

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        names = ", ".join(self.quantities)
        if self.read_in is When.BEFORE:
            return f"{names} no longer readable"
        if self.read_in is When.NEVER:
            return f"{names} of what is here now could not be read"
        return f"{names} not readable before, so not compared"

    @property
    def evidence(self) -> str:
        """Where."""
        if self.read_in is When.NEVER:
            return "read in neither snapshot"
        rest = len(self.places) - _SHOWN
        return (
            f"read {self.read_in} only, at {', '.join(self.places[:_SHOWN])}{f' and {rest} more' if rest > 0 else ''}"
        )


def not_compared(pairs: Iterable[tuple[Place, Place]]) -> Iterator[NotCompared]:
    """What was read in one snapshot only, of places whose component is the same; places that lack the same are one."""
    groups: dict[tuple[When, tuple[str, ...]], list[Place]] = {}
    for then, now in pairs:
        if then.link.silent or now.link.silent:  # told for what it is
            continue
        for when, one, other in ((When.BEFORE, then, now), (When.AFTER, now, then)):
            sleeps = then.asleep or now.asleep or {then.link.verdict, now.link.verdict} == {Verdict.RESTING}
            names = (*(() if sleeps else only_in(one, other)), *((COUNTERS,) if counters_only_in(one, other) else ()))
            if names:
                groups.setdefault((when, names), []).append(now)
    for (when, names), places in groups.items():
        yield NotCompared(
            place=places[0].title if len(places) == 1 else "this machine",
            places=tuple(place.title for place in places),
            quantities=names,
            read_in=when,
            undecided=any(_decides(place, names) for place in places),
        )


def places_unread(
    before: Mapping[str, Place], after: Mapping[str, Place], keys: Iterable[str]
) -> Iterator[NotCompared]:
    """The places of these keys, which one of the two snapshots lists and could not read at all."""
    for key in sorted(keys):
        place = before.get(key) or after[key]
        yield NotCompared(
            place=place.title, places=(place.title,), quantities=(OCCUPANT,),
            read_in=When.BEFORE if key in before else When.AFTER, undecided=place.link.kind is KindOfLink.SLOT,
        )  # fmt: skip


def unread_twice(pairs: Iterable[tuple[Place, Place]], places: Iterable[Place]) -> Iterator[NotCompared]:
    """Counters that neither snapshot read, on a machine that counts errors at all: nobody can say that none came."""
    if not _counts_errors(places):
        return
    blind = [now for then, now in pairs if not (then.link.silent or now.link.silent) and _both_unread(then, now)]
    if blind:
        yield NotCompared(
            place=blind[0].title if len(blind) == 1 else "this machine", places=tuple(place.title for place in blind),
            quantities=(COUNTERS,), read_in=When.NEVER, undecided=any(_decides(place, (COUNTERS,)) for place in blind),
        )  # fmt: skip


def _counts_errors(places: Iterable[Place]) -> bool:
    return any(total != ErrorTotals() for place in places for total in place.link.counters.values())


def _both_unread(then: Place, now: Place) -> bool:
    return not _unread(then).isdisjoint(_unread(now))


def _unread(place: Place) -> set[FunctionKey]:
    """Functions that keep counters, as far as is known, of which one was not read."""
    return {
        key
        for key, here in place.functions.items()
        if here.address in place.link.counters and None in structs.astuple(here.totals)
    }


def newcomers_unread(newcomers: Iterable[Place], places: Iterable[Place]) -> Iterator[NotCompared]:
    """What cannot be told of a component that is new in its place, on a machine that counts errors at all."""
    counts = _counts_errors(places)
    for place in newcomers:
        unread = counts and any(None in structs.astuple(total) for total in place.link.counters.values())
        names = (
            *((VERDICT,) if place.link.verdict is Verdict.UNJUDGED and not place.link.silent else ()),
            *((COUNTERS,) if unread else ()),
        )
        if names:
            yield NotCompared(
                place=place.title, places=(place.title,), quantities=names, read_in=When.NEVER,
                undecided=_decides(place, names),
            )  # fmt: skip


def _decides(place: Place, names: tuple[str, ...]) -> bool:
    """Only a slot can raise an alarm."""
    return place.link.kind is KindOfLink.SLOT and not DECIDING.isdisjoint(names)
