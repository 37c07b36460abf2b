"""Snapshots one after another, as a collector takes them: what is known of components is carried on."""

from collections.abc import Mapping

import msgspec

from probe.audit.snapshot import Snapshot
from probe.compare.alignment import aligned, identities
from probe.compare.changes import Change, Comparison, exit_status
from probe.compare.comparable import comparable
from probe.compare.diff import compared
from probe.compare.identity import Identity
from probe.errors.limits import Limits
from probe.exit_status import ExitStatus


class Followed(msgspec.Struct, frozen=True, kw_only=True):
    """What a snapshot shows beside the one before; `comparison` is None for the first of all.

    `were` and `are` are what is known of the components, by the way they are wired in each of the two.
    """

    comparison: Comparison | None = None
    were: Mapping[str, Identity] = {}
    are: Mapping[str, Identity] = {}

    @property
    def changes(self) -> tuple[Change, ...]:
        """What changed."""
        return () if self.comparison is None else self.comparison.changes

    @property
    def titles(self) -> Mapping[str, str]:
        """What a person calls each place, by the way it was wired before."""
        return {} if self.comparison is None else self.comparison.titles

    @property
    def status(self) -> ExitStatus:
        """The status of the comparison; nothing is to be said of a first snapshot."""
        return ExitStatus.CLEAN if self.comparison is None else exit_status(self.comparison)


def follow(before: Snapshot | None, after: Snapshot, limits: Limits, known: Mapping[str, Identity]) -> Followed:
    """What changed since `before`, where `known` was known of the components then."""
    if before is None:
        return Followed(are=identities(comparable(after)))
    states = aligned([comparable(before), comparable(after)], known)
    were, are = identities(states[0]), identities(states[-1])
    unread = (place for key, place in states[0].places.items() if key not in states[-1].places)
    kept = {place.id: were[place.id] for place in unread if place.id in were and states[-1].could_not_read(place)}
    return Followed(comparison=compared(states, limits), were=were, are={**kept, **are})
