"""How each place trained over boots, a training a boot: speed, width, errors, and how often it came up short."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

import msgspec

from probe.audit.snapshot import Snapshot
from probe.compare.alignment import aligned
from probe.compare.comparable import Comparable, Place, comparable
from probe.registers.errors import Severity
from probe.schemas import Schema


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


def history(snapshots: Sequence[Snapshot]) -> History:
    """How each place trained over boots. Several snapshots of one boot are one training: its worst state counts."""
    states = aligned([comparable(snapshot) for snapshot in snapshots])
    boots: dict[str, list[Comparable]] = defaultdict(list)
    for number, seen in enumerate(states):
        boots[seen.evidence.host.boot_id or f"unknown boot {number}"].append(seen)
    places = sorted({key for seen in states for key in seen.places})
    rows = [row for key in places if (row := _training(key, list(boots.values()))) is not None]
    rows.sort(key=lambda row: (-row.uncorrectable, -row.short / row.trainings, -row.correctable, row.place))
    return History(boots=len(boots), snapshots=len(snapshots), places=tuple(rows))


def _training(key: str, boots: list[list[Comparable]]) -> Training | None:
    states: Counter[str] = Counter()
    short = correctable = uncorrectable = 0
    latest: Place | None = None
    for boot in boots:
        seen = [state.places[key] for state in boot if key in state.places]
        seen = [place for place in seen if place.identity is not None]
        if not seen:
            continue
        latest = seen[-1]
        worst = next((place for place in seen if place.link.verdict.below_capability), seen[-1])
        short += worst.link.verdict.below_capability
        states[str(worst.link.negotiated)] += 1
        correctable += max(sum(_counted(place, uncorrectable=False)) for place in seen)
        uncorrectable += max(sum(_counted(place, uncorrectable=True)) for place in seen)
    if latest is None:
        return None
    return Training(
        place=latest.title,
        component=latest.component,
        trainings=states.total(),
        short=short,
        states=dict(states.most_common()),
        correctable=correctable,
        uncorrectable=uncorrectable,
    )


def _counted(place: Place, *, uncorrectable: bool) -> Iterator[int]:
    for finding in place.link.error_findings:
        if (finding.severity is not Severity.CORRECTABLE) == uncorrectable:
            yield finding.events
