"""How each card trained in its place over boots, a training a boot: speed, width, errors, how often short."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence

import msgspec

from probe.audit.snapshot import Snapshot
from probe.compare.alignment import aligned
from probe.compare.comparable import Comparable, Place, comparable
from probe.compare.identity import Identity
from probe.evidence import unlisted
from probe.registers.errors import Severity
from probe.schemas import Schema
from probe.verdict.verdicts import Verdict


class Training(msgspec.Struct, frozen=True, kw_only=True):
    """How one card trained in one place over the boots seen, a training a boot.

    Boots in which it was absent (until another card took the place) or did not answer are no trainings; in those of
    `unjudged` too little was read to say whether it came up short.
    """

    place: str
    component: str | None
    trainings: int
    short: int
    states: dict[str, int]
    correctable: int
    uncorrectable: int
    absent: int = 0
    silent: int = 0
    unjudged: int = 0

    @property
    def badness(self) -> tuple[float, ...]:
        """Greater is worse."""
        boots = self.trainings + self.absent + self.silent
        return self.uncorrectable, (self.short + self.absent + self.silent) / boots, self.correctable


class History(msgspec.Struct, frozen=True, kw_only=True):
    """The trainings of every card in every place, worst first."""

    schema: str = Schema.HISTORY
    boots: int
    snapshots: int
    places: tuple[Training, ...]


_Boot = Sequence[Comparable]


def history(snapshots: Sequence[Snapshot]) -> History:
    """How each card trained over boots. Several snapshots of one boot are one training: its worst state counts."""
    listed = [snapshot for snapshot in snapshots if unlisted(snapshot.evidence.unread) is None]
    states = aligned([comparable(snapshot) for snapshot in listed]) if listed else ()
    boots: dict[str, list[Comparable]] = defaultdict(list)
    for number, seen in enumerate(states):
        boots[seen.evidence.host.boot_id or f"unknown boot {number}"].append(seen)
    keys = sorted({key for seen in states for key in seen.places})
    rows = [_training(stay) for key in keys for stay in _stays(key, list(boots.values()))]
    rows.sort(key=lambda row: (*(-part for part in row.badness), row.place))
    return History(boots=len(boots), snapshots=len(snapshots), places=tuple(rows))


class _Stay(msgspec.Struct):
    """One card in one place: what was seen of it in each boot, and in how many it was looked for in vain."""

    latest: Place
    identity: Identity
    boots: dict[int, list[Place]] = msgspec.field(default_factory=lambda: defaultdict(list))
    absent: set[int] = msgspec.field(default_factory=set)

    def is_of(self, place: Place) -> bool:
        """Whether the card in `place` is this one, for all that was read of both."""
        return place.identity is not None and not place.identity.differs_from(self.identity)

    def take(self, place: Place, identity: Identity, boot: int) -> None:
        """It was seen in this boot too; what was known of it before stays known."""
        self.latest, self.identity = place, identity.filled_from(self.identity)
        self.boots[boot].append(place)


def _stays(key: str, boots: Sequence[_Boot]) -> list[_Stay]:
    """Every card that was in a place, in the order in which they came."""
    stays: list[_Stay] = []
    present: _Stay | None = None
    for number, boot in enumerate(boots):
        for state in boot:
            place = state.places.get(key)
            if place is None or place.identity is None:
                unread = place is None and present is not None and state.could_not_read(present.latest)
                if present is not None and not unread and not _elsewhere(present, key, state.places):
                    present.absent.add(number)
                continue
            if present is None or not present.is_of(place):
                present = next((stay for stay in reversed(stays) if stay.is_of(place)), None)
            if present is None:
                present = _Stay(place, place.identity)
                stays.append(present)
            present.take(place, place.identity, number)
    return stays


def _elsewhere(stay: _Stay, key: str, places: Mapping[str, Place]) -> bool:
    serial = stay.identity.serial
    others = (place.identity for other, place in places.items() if other != key)
    return serial is not None and any(identity is not None and identity.serial == serial for identity in others)


def _training(stay: _Stay) -> Training:
    states: Counter[str] = Counter()
    short = silent = unjudged = correctable = uncorrectable = 0
    for seen in stay.boots.values():
        correctable += max(sum(_counted(place, uncorrectable=False)) for place in seen)
        uncorrectable += max(sum(_counted(place, uncorrectable=True)) for place in seen)
        silent += any(place.link.silent for place in seen)
        answering = [place for place in seen if not place.link.silent]
        if not answering:
            continue
        worst = next((place for place in answering if place.link.verdict.below_capability), answering[-1])
        short += worst.link.verdict.below_capability
        unjudged += all(place.link.verdict is Verdict.UNJUDGED for place in answering)
        states[str(worst.link.negotiated)] += 1
    return Training(
        place=stay.latest.title,
        component=stay.latest.component,
        trainings=states.total(),
        short=short,
        states=dict(states.most_common()),
        correctable=correctable,
        uncorrectable=uncorrectable,
        absent=len(stay.absent),
        silent=silent,
        unjudged=unjudged,
    )


def _counted(place: Place, *, uncorrectable: bool) -> Iterator[int]:
    for finding in place.link.error_findings:
        if (finding.severity is not Severity.CORRECTABLE) == uncorrectable:
            yield finding.events
