"""Three snapshots and more: whether trouble follows a card or stays with its slot, and how links trained over boots."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from enum import StrEnum

import msgspec

from probe.audit.names import described
from probe.audit.snapshot import Snapshot
from probe.compare.comparable import OCCUPANT, PlacePortrait, Portrait, portrait
from probe.errors.attribution import is_link_error
from probe.schemas import Schema
from probe.verdict.words import BELOW_CAPABILITY

_SERIAL = "serial "


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


class Training(msgspec.Struct, frozen=True, kw_only=True):
    """How one place trained over the boots seen, a training a boot."""

    place: str
    component: str | None
    trainings: int
    short: int
    states: dict[str, int]
    correctable: int
    uncorrectable: int


class History(msgspec.Struct, frozen=True, kw_only=True):
    """The trainings of every place, worst first."""

    schema: str = Schema.HISTORY
    boots: int
    snapshots: int
    places: tuple[Training, ...]


def in_trouble(place: PlacePortrait) -> bool:
    """Below capability, or with correctable link errors or worse counted."""
    if place.link.component is None:
        return False
    bad_errors = any(is_link_error(item) or item.severity != "correctable" for item in place.link.error_findings)
    return place.link.verdict in BELOW_CAPABILITY or bad_errors


def conclusions(snapshots: Sequence[Snapshot]) -> tuple[Conclusion, ...]:
    """For each component that was in trouble and can be told apart by its serial number, what the swaps show."""
    portraits = [portrait(item) for item in snapshots]
    found: dict[str, Conclusion] = {}
    for step, seen in enumerate(portraits):
        for place in seen.places.values():
            known = place.values.get(OCCUPANT)
            if known and known.startswith(_SERIAL) and known not in found and in_trouble(place):
                found[known] = _conclude(known, place, step, portraits)
    return tuple(found.values())


def _conclude(known: str, first: PlacePortrait, step: int, portraits: Sequence[Portrait]) -> Conclusion:
    words = described(first.link) or known
    evidence = [f"snapshot {step + 1}: {words} in trouble at {first.title} ({first.link.verdict})"]
    elsewhere = slot_after = stayed = None
    for number, later in enumerate(portraits[step + 1 :], start=step + 2):
        for place in later.places.values():
            here = place.id == first.id
            same = place.values.get(OCCUPANT) == known
            if not (here or same) or place.link.component is None:
                continue
            troubled = in_trouble(place)
            who = words if same else f"another component ({described(place.link)})"
            evidence.append(
                f"snapshot {number}: {who} {'in trouble' if troubled else 'without trouble'} at {place.title}"
            )
            if same and here:
                stayed = troubled
            elif same:
                elsewhere = troubled
            else:
                slot_after = troubled
    blame = _blame(elsewhere=elsewhere, slot_after=slot_after, stayed=stayed)
    return Conclusion(component=words, place=first.title, blame=blame, evidence=tuple(evidence))


def _blame(*, elsewhere: bool | None, slot_after: bool | None, stayed: bool | None) -> Blame:
    """By the last word on: the card in another slot, another card in the slot, the card where it was."""
    if elsewhere and slot_after:
        return Blame.BOTH
    if elsewhere:
        return Blame.CARD
    if slot_after:
        return Blame.SLOT
    if stayed is False or (elsewhere is False and slot_after is False):
        return Blame.BETWEEN
    return Blame.OPEN


def history(snapshots: Sequence[Snapshot]) -> History:
    """How each place trained over boots. Several snapshots of one boot are one training: its worst state counts."""
    portraits = [portrait(item) for item in snapshots]
    boots: dict[str, list[Portrait]] = defaultdict(list)
    for number, seen in enumerate(portraits):
        boots[seen.boot_id or f"unknown boot {number}"].append(seen)
    places = sorted({place for seen in portraits for place in seen.places})
    rows = [row for place in places if (row := _training(place, list(boots.values()))) is not None]
    rows.sort(key=lambda row: (-row.uncorrectable, -row.short / row.trainings, -row.correctable, row.place))
    return History(boots=len(boots), snapshots=len(snapshots), places=tuple(rows))


def _training(place: str, boots: list[list[Portrait]]) -> Training | None:
    states: Counter[str] = Counter()
    short = correctable = uncorrectable = 0
    latest: PlacePortrait | None = None
    for boot in boots:
        seen = [p.places[place] for p in boot if place in p.places and p.places[place].link.component is not None]
        if not seen:
            continue
        latest = seen[-1]
        worst = next((item for item in seen if item.link.verdict in BELOW_CAPABILITY), seen[-1])
        short += worst.link.verdict in BELOW_CAPABILITY
        states[str(worst.link.negotiated)] += 1
        correctable += max(_events(item, uncorrectable=False) for item in seen)
        uncorrectable += max(_events(item, uncorrectable=True) for item in seen)
    if latest is None:
        return None
    return Training(
        place=latest.title,
        component=described(latest.link),
        trainings=states.total(),
        short=short,
        states=dict(states.most_common()),
        correctable=correctable,
        uncorrectable=uncorrectable,
    )


def _events(place: PlacePortrait, *, uncorrectable: bool) -> int:
    return sum(_counted(place, uncorrectable=uncorrectable))


def _counted(place: PlacePortrait, *, uncorrectable: bool) -> Iterator[int]:
    for finding in place.link.error_findings:
        if (finding.severity != "correctable") == uncorrectable:
            yield finding.events
