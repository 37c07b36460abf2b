"""One place of one host through all its boots: what was seen of it, and who was in it. Pure.

Identity is what was read. What was not read contradicts nothing, so it is taken from what was known there before, or
else from what became known after; only what was read and differs is another component.
"""

from collections.abc import Iterable, Sequence

import msgspec

from probe.fleet.boots import PlacedBoot
from probe.fleet.chronicle import Chronicle, LinkSeen
from probe.verdict.verdicts import Verdict


class Stretch(msgspec.Struct, frozen=True):
    """A run of one boot: what was seen from one moment to another."""

    boot: int
    first: int
    last: int
    seen: LinkSeen


class Occupant(msgspec.Struct):
    """A component in a place, by all that was ever read of it there."""

    kind: str | None = None
    subsystem: str | None = None
    serial: str | None = None
    component: str | None = None

    def fits(self, seen: LinkSeen) -> bool:
        """Whether nothing that was read says that it is another."""
        pairs = ((self.kind, seen.kind), (self.subsystem, seen.subsystem), (self.serial, seen.serial))
        return all(known is None or read is None or known == read for known, read in pairs)

    def learn(self, seen: LinkSeen) -> None:
        """Fill in what was read."""
        self.kind = self.kind or seen.kind
        self.subsystem = self.subsystem or seen.subsystem
        self.serial = self.serial or seen.serial
        self.component = seen.component or self.component

    @property
    def identity(self) -> str | None:
        """As the rest of the program writes it: the serial number, else the kind; None where neither was read."""
        if self.serial is not None:
            return f"serial {self.serial}"
        return f"{self.kind} subsystem {self.subsystem}" if self.kind and self.subsystem else self.kind


def stretches(chronicle: Chronicle, order: Sequence[PlacedBoot], place_id: str) -> list[Stretch]:
    """Everything seen of a place, in order."""
    return [
        Stretch(number, first, last, chronicle.links[seen])
        for number, placed in enumerate(order)
        for first, last, seen in placed.boot.links.get(place_id, ())
    ]


def is_filled(seen: LinkSeen) -> bool:
    """Whether a component is in the place."""
    return any(item is not None for item in (seen.kind, seen.serial, seen.component)) or seen.silent


def occupants(found: Iterable[Stretch]) -> list[Occupant | None]:
    """Who was there in each stretch; None for nobody, or for one of whom nothing was ever read.

    A place that was empty between may hold the same again.
    """
    told: list[Occupant | None] = []
    present: Occupant | None = None
    for stretch in found:
        if not is_filled(stretch.seen):
            told.append(None if stretch.seen.verdict == Verdict.EMPTY else present)
            continue
        if present is None or not present.fits(stretch.seen):
            present = Occupant()
        present.learn(stretch.seen)
        told.append(present)
    return told
