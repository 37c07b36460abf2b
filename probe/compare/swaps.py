"""Three snapshots and more around a swap: whether trouble follows a card or stays with its slot.

Trouble is a link below capability, or errors that grew between two snapshots; what was counted since boot shows
nothing. Only a swap decides: where nothing moved, nothing is concluded.
"""

from collections.abc import Iterator, Sequence
from enum import StrEnum

import msgspec

from probe.compare.comparable import Place
from probe.compare.steps import Step
from probe.errors.attribution import findings, is_link_error
from probe.errors.counts import summed
from probe.registers.errors import Severity


class Blame(StrEnum):
    """Where the trouble lies, by what the swaps show."""

    CARD = "follows the card"
    SLOT = "stays with the slot"
    BETWEEN = "lies between card and slot: riser, cable or seating"
    BOTH = "is at the card and at the slot, or at something both share"
    OPEN = "is not decided by these snapshots"


class Conclusion(msgspec.Struct, frozen=True, kw_only=True):
    """What the snapshots around a swap say of one troubled component."""

    component: str
    place: str
    blame: Blame
    evidence: tuple[str, ...]


class _Sort(StrEnum):
    """A sort of trouble; one sort says nothing of the other."""

    BELOW = "below capability"
    ERRORS = "errors grew"


class _Seen(msgspec.Struct, frozen=True):
    """One component in one place in one snapshot, and which sorts of trouble it was in; None where that is unknown."""

    number: int
    place: Place
    trouble: dict[_Sort, bool | None]


def conclusions(steps: Sequence[Step]) -> tuple[Conclusion, ...]:
    """For each component that was in trouble, can be told apart and was moved or taken out, what the swaps show."""
    if len(steps) < 2:  # noqa: PLR2004 - a swap shows in three snapshots
        return ()
    seen = list(_sightings(steps))
    found: dict[str, Conclusion] = {}
    for item in seen:
        serial = _serial(item.place)
        sort = next((sort for sort, troubled in item.trouble.items() if troubled), None)
        if serial is not None and serial not in found and sort is not None:
            concluded = _conclude(serial, item, sort, [later for later in seen if later.number > item.number])
            if concluded is not None:
                found[serial] = concluded
    return tuple(found.values())


def _serial(place: Place) -> str | None:
    return None if place.identity is None else place.identity.serial


def _sightings(steps: Sequence[Step]) -> Iterator[_Seen]:
    """Every component in every snapshot, in time order."""
    states = [steps[0].before, *(step.after for step in steps)]
    for index, state in enumerate(states):
        for key, place in state.places.items():
            if place.identity is not None:
                grew = _grew(key, steps[index] if index < len(steps) else None)
                below = place.link.verdict.below_capability
                yield _Seen(index + 1, place, {_Sort.BELOW: below, _Sort.ERRORS: grew})


def _grew(key: str, following: Step | None) -> bool | None:
    """Whether errors of the link grew until the next snapshot, while the component stayed; None where not known."""
    if following is None or not following.is_same(key) or following.between.rebooted or following.between.backwards:
        return None
    grown = findings(summed(item.counted for item in following.counts if item.place == key))
    return any(is_link_error(item) or item.severity is not Severity.CORRECTABLE for item in grown)


def _conclude(serial: str, first: _Seen, sort: _Sort, later: Sequence[_Seen]) -> Conclusion | None:
    """By the last word on each: the card in another slot, another card in the slot."""
    words = first.place.component
    evidence = [f"snapshot {first.number}: {words} in trouble at {first.place.title} ({sort})"]
    elsewhere = slot_after = None
    moved = False
    for item in later:
        here, same = item.place.key == first.place.key, _serial(item.place) == serial
        other = here and not same and _is_another(first.place, item.place)
        if not same and not other:
            continue
        moved |= other or not here
        troubled = item.trouble[sort]
        who = words if same else f"another component ({item.place.component})"
        state = {True: "in trouble", False: "without trouble", None: "not known whether in trouble"}[troubled]
        evidence.append(f"snapshot {item.number}: {who} {state} at {item.place.title}")
        if same and not here:
            elsewhere = troubled if troubled is not None else elsewhere
        elif other:
            slot_after = troubled if troubled is not None else slot_after
    if not moved:
        return None
    blame = _blame(elsewhere=elsewhere, slot_after=slot_after)
    return Conclusion(component=words, place=first.place.title, blame=blame, evidence=tuple(evidence))


def _is_another(first: Place, later: Place) -> bool:
    return first.identity is not None and later.identity is not None and later.identity.differs_from(first.identity)


def _blame(*, elsewhere: bool | None, slot_after: bool | None) -> Blame:
    if elsewhere and slot_after:
        return Blame.BOTH
    if elsewhere:
        return Blame.CARD
    if slot_after:
        return Blame.SLOT
    if elsewhere is False and slot_after is False:
        return Blame.BETWEEN
    return Blame.OPEN
