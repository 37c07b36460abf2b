"""How the errors of one place grew from reading to reading, and how long they were watched. Pure.

A counter belongs to one function of one end and counts from when its function was found. Within a boot it grows; one
that fell began anew, and with a new boot or a new component it begins anew: what it then shows came since, at the
least. Read for the first time in the first boot that is known, it does not say when its errors came: none is told.
What was not read is no zero.
"""

from collections.abc import Iterable, Iterator, Sequence

import msgspec

from probe.errors.attribution import findings, is_data_error, is_link_error
from probe.errors.counts import ErrorCount
from probe.fleet.boots import PlacedBoot
from probe.fleet.chronicle import Chronicle, Counted
from probe.fleet.sequence import Occupant, Stretch
from probe.links.link import WhichEnd
from probe.registers.errors import Severity

LINK, DATA = "link", "data"
"""The two kinds of errors for which limits are published."""

_Counter = tuple[str, str, str]
"""End, function, severity."""


class Rise(msgspec.Struct, frozen=True):
    """Errors that came between two readings. `at_least`: a counter began anew between them."""

    severity: str
    family: str | None
    events: int
    since_s: int
    until_s: int
    at_least: bool
    occupant: Occupant | None


class Watch(msgspec.Struct):
    """How long the counters of one occupant were watched, seconds, and since when they still are."""

    occupant: Occupant
    seconds: int = 0
    since_s: int | None = None


class Growth(msgspec.Struct, frozen=True):
    """All that grew in a place, and the watches over it."""

    rises: tuple[Rise, ...]
    watches: tuple[Watch, ...]


class _Reading(msgspec.Struct, frozen=True):
    """Counters that stood still, on the calendar, and who was there."""

    boot: int
    first_s: int
    last_s: int
    seen: Counted
    occupant: Occupant | None
    is_last: bool


def growth(
    chronicle: Chronicle, order: Sequence[PlacedBoot], place_id: str, found: Sequence[Stretch],
    who: Sequence[Occupant | None],
) -> Growth:  # fmt: skip
    """How errors grew in a place whose stretches and their occupants are given."""
    counters = _Counters()
    rises: list[Rise] = []
    watches: dict[int, Watch] = {}
    last: _Reading | None = None
    for reading in _readings(chronicle, order, place_id, found, who):
        same_boot = last is not None and last.boot == reading.boot
        start_s = order[reading.boot].start_s if reading.boot else reading.first_s
        since_s = last.last_s if last is not None and same_boot else start_s
        if not same_boot:
            counters.begin_boot(first=reading.boot == 0)
        came = last is not None and reading.occupant is not None and last.occupant is not reading.occupant
        grown, anew = counters.growth(reading.seen, came=came)
        rises += _told(grown, reading, since_s, at_least=anew)
        if reading.occupant is not None:
            watch = watches.setdefault(id(reading.occupant), Watch(reading.occupant))
            watch.seconds += (reading.first_s if reading.is_last else reading.last_s) - since_s
            watch.since_s = reading.first_s if reading.is_last else None
        last = reading
    return Growth(tuple(rises), tuple(watches.values()))


def _readings(
    chronicle: Chronicle, order: Sequence[PlacedBoot], place_id: str, found: Sequence[Stretch],
    who: Sequence[Occupant | None],
) -> Iterator[_Reading]:  # fmt: skip
    for number, placed in enumerate(order):
        here = [(stretch, occupant) for stretch, occupant in zip(found, who, strict=True) if stretch.boot == number]
        ends = placed.boot.moments[-1] if number == len(order) - 1 else None
        for first, last, seen in placed.boot.counted.get(place_id, ()):
            for stretch, occupant in here:
                begin, end = max(first, stretch.first), min(last, stretch.last)
                if begin <= end:
                    counted = chronicle.counted[seen]
                    yield _Reading(number, placed.at(begin), placed.at(end), counted, occupant, end == ends)


class _Counters:
    """What each counter last showed in the present boot."""

    def __init__(self) -> None:
        self._known: dict[_Counter, dict[str, int]] = {}
        self._first_boot = True

    def begin_boot(self, *, first: bool) -> None:
        """All begin at zero, unless this is the first boot that is known."""
        self._known = {}
        self._first_boot = first

    def growth(self, seen: Counted, *, came: bool) -> tuple[list[ErrorCount], bool]:
        """What grew, and whether a counter that began anew is among it. `came`: another component is there now."""
        now: dict[_Counter, dict[str, int]] = {counter: {} for counter in seen.read}
        for end, function, severity, error, count in seen.counts:
            now[end, function, severity][error] = count
        grown: list[ErrorCount] = []
        anew = False
        for counter, counts in now.items():
            before = None if came and counter[0] == WhichEnd.COMPONENT else self._known.get(counter)
            fell = before is not None and any(counts.get(error, 0) < count for error, count in before.items())
            began = before is None or fell
            if before is None and self._first_boot and not came:
                base = counts
            else:
                base = {} if began or before is None else before
            rows = [_more(counter, error, count - base.get(error, 0)) for error, count in counts.items()]
            rows = [row for row in rows if row.count > 0]
            anew = anew or (began and bool(rows))
            grown += rows
            self._known[counter] = counts
        return grown, anew


def _more(counter: _Counter, error: str, count: int) -> ErrorCount:
    end, function, severity = counter
    return ErrorCount(WhichEnd(end), function, Severity(severity), error, count)


def _told(grown: Iterable[ErrorCount], reading: _Reading, since_s: int, *, at_least: bool) -> Iterator[Rise]:
    """Growth as events: what several functions or both ends tell of one is told once."""
    events: dict[tuple[str, str | None], int] = {}
    for finding in findings(grown):
        family = LINK if is_link_error(finding) else DATA if is_data_error(finding) else None
        key = (finding.severity, family)
        events[key] = events.get(key, 0) + finding.events
    for (severity, family), count in events.items():
        yield Rise(severity, family, count, since_s, reading.first_s, at_least, reading.occupant)
