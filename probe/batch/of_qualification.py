"""Readings of a qualification: of everything that its journal holds, in its order."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.snapshot import Snapshot
from probe.batch.contribution import Tested, Where
from probe.batch.of_soak import soak_readings
from probe.batch.of_tests import test_readings
from probe.batch.readings import Key, Reading, take_later
from probe.qualify.document import Judged
from probe.qualify.entries import Entry, Margined, PartBegun, Sped, Taken, Trained
from probe.qualify.soak_parts import soaked
from probe.qualify.soaks_of import soaks_of

KIND = "qualify"
_Readings = Mapping[Where, Mapping[Key, Reading]]


class Qualified(msgspec.Struct, frozen=True, kw_only=True):
    """What a journal holds: its newest snapshot, None where it has none, and the readings of its tests."""

    snapshot: Snapshot | None
    readings: _Readings


def qualified(entries: Sequence[Entry]) -> Qualified:
    """What these entries hold; counts of several turns add up."""
    found: dict[Where, dict[Key, Reading]] = defaultdict(dict)
    for readings in _readings(entries):
        for where, keys in readings.items():
            take_later(found[where], keys)
    snapshots = [entry.snapshot for entry in entries if isinstance(entry, Taken | PartBegun) and entry.snapshot]
    return Qualified(snapshot=snapshots[-1] if snapshots else None, readings=dict(found))


def qualification_tested(judged: Judged) -> dict[Where, tuple[Tested, ...]]:
    """What the record says of each link over all of its steps."""
    return {
        Where(link.place_id): (Tested(test=KIND, result=link.result, reasons=link.reasons),)
        for link in judged.links
        if link.by_kind
    }


def _readings(entries: Iterable[Entry]) -> Iterator[_Readings]:
    listed = list(entries)
    for entry in listed:
        if isinstance(entry, Trained | Sped | Margined):
            yield test_readings(entry.document)
    for parts in soaks_of(listed).values():
        yield soak_readings(soaked(parts))
