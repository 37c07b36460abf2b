"""All that is known of one host, from whatever files, in whatever order: the same files give the same chronicle.

Boots stand each for itself, told apart by boot id; within one, time is uptime. What a snapshot read is kept as read:
nothing is carried from one to another here. Saved; it only grows: new fields at the end, each with a default.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import TypeVar

import msgspec

from probe.documents.files import UNDECODABLE
from probe.exceptions import DocumentError
from probe.fleet.packing import from_planes, packed, planes, unpacked
from probe.fleet.track import Moment, Track, put
from probe.links.link import WhichEnd
from probe.registers.errors import Severity

Thing = TypeVar("Thing", bound=msgspec.Struct)
EARLIEST_S = 1_577_836_800
"""2020-01-01: before this program was; a clock that says less is wrong."""

LEEWAY_S = 86_400
"""How far ahead of the reader's a host's clock may be before it is impossible."""


class HostFacts(msgspec.Struct, frozen=True, array_like=True):
    """What a snapshot says of its host. None is not read."""

    name: str | None = None
    board: str | None = None
    product: str | None = None
    links: int = 0


class LinkSeen(msgspec.Struct, frozen=True, array_like=True):
    """One link as one snapshot read it. None is not read."""

    place: str
    address: str
    verdict: str
    standing: str
    component: str | None = None
    kind: str | None = None
    subsystem: str | None = None
    serial: str | None = None
    alarming: bool = False
    silent: bool = False
    speed_gts: float | None = None
    width: int | None = None
    possible_speed_gts: float | None = None
    possible_width: int | None = None
    reason: str | None = None


class Counted(msgspec.Struct, frozen=True, array_like=True):
    """A link's error counters: which were read (end, function, severity), and those that are not zero."""

    read: tuple[tuple[str, str, str], ...] = ()
    counts: tuple[tuple[str, str, str, str, int], ...] = ()


class Observation(msgspec.Struct, frozen=True, kw_only=True):
    """One snapshot made ready: whose, when by every clock there is, and what it read."""

    host: str
    boot: str
    moment: int
    wall_s: int | None
    number: int | None
    facts: HostFacts
    links: dict[str, LinkSeen]
    counted: dict[str, Counted]


class LinkResult(msgspec.Struct, frozen=True, array_like=True):
    """What a test said of one link; the margins are the least found. None is not measured."""

    place_id: str
    place: str
    result: str
    reasons: tuple[str, ...] = ()
    margin_ui: float | None = None
    margin_volts: float | None = None
    trainings: int | None = None
    trainings_short: int | None = None


class Trial(msgspec.Struct, frozen=True, kw_only=True):
    """A soak or another test of one host. `extent_s` is how far it had come when the file was taken."""

    test: str
    wall_s: int
    extent_s: float = 0.0
    result: str
    links: tuple[LinkResult, ...]

    @property
    def key(self) -> str:
        """What tells one test of a host from another."""
        return f"{self.test} {self.wall_s}"


class Boot(msgspec.Struct, array_like=True):
    """One boot. `clock` is the start by the last possible wall clock, with the moment it was read at.

    `dropped` counts the moments that settling left out, by the moment before them; those up to `settled` are thinned.
    The packed ones stand for `moments` and `dropped` where a chronicle is kept.
    """

    moments: list[int] = []
    numbers: tuple[int, int] | None = None
    clock: tuple[int, int] | None = None
    impossible: tuple[int, int] | None = None
    facts: Track = []
    links: dict[str, Track] = {}
    counted: dict[str, Track] = {}
    dropped: dict[int, int] = {}
    settled: int = -1
    packed_moments: bytes = b""
    packed_dropped: bytes = b""


class Chronicle(msgspec.Struct):
    """One host. The things seen are written down once and stand in tracks by number."""

    host: str
    boots: dict[str, Boot] = {}
    facts: list[HostFacts] = []
    links: list[LinkSeen] = []
    counted: list[Counted] = []
    results: dict[str, Trial] = {}

    def knows(self, boot: str, moment: int) -> bool:
        """Whether a moment is in already."""
        found = self.boots.get(boot)
        return found is not None and _has(found.moments, moment)


_REMEDY = "the host is taken in anew from the spools by the next ingest"
_ENCODER = msgspec.msgpack.Encoder()
_DECODER: msgspec.msgpack.Decoder[Chronicle] = msgspec.msgpack.Decoder(Chronicle)


def to_bytes(chronicle: Chronicle) -> bytes:
    """As it is kept: moments packed, since they are what there is most of."""
    boots = {name: _small(boot) for name, boot in chronicle.boots.items()}
    return _ENCODER.encode(msgspec.structs.replace(chronicle, boots=boots))


def _small(boot: Boot) -> Boot:
    counts = planes(boot.dropped.get(moment, 0) for moment in boot.moments) if boot.dropped else b""
    return msgspec.structs.replace(
        boot, moments=[], dropped={}, packed_moments=packed(boot.moments), packed_dropped=counts
    )


def from_bytes(data: bytes) -> Chronicle:
    """What `to_bytes` kept. Raises DocumentError where it is damaged."""
    try:
        chronicle = _DECODER.decode(data)
        for boot in chronicle.boots.values():
            boot.moments = unpacked(boot.packed_moments)
            counts = from_planes(boot.packed_dropped)
            boot.dropped = {moment: count for moment, count in zip(boot.moments, counts, strict=False) if count}
            boot.packed_moments = boot.packed_dropped = b""
            _check(chronicle, boot)
        for counted in chronicle.counted:
            _check_counters(counted)
    except (*UNDECODABLE, TypeError, ValueError, IndexError) as error:
        raise DocumentError(f"is damaged ({error})", where="the chronicle of a host", remedy=_REMEDY) from error
    return chronicle


def _check(chronicle: Chronicle, boot: Boot) -> None:
    """Raise ValueError, IndexError where moments do not rise or a run is none of them, or of something not written."""
    moments = boot.moments
    if not moments or any(later <= earlier for earlier, later in pairwise(moments)):
        raise ValueError("no moments, or some that do not rise")
    seen: tuple[tuple[Iterable[Track], Sequence[object]], ...] = (
        ((boot.facts,), chronicle.facts),
        (boot.links.values(), chronicle.links),
        (boot.counted.values(), chronicle.counted),
    )
    for tracks, things in seen:
        for track in tracks:
            until = -1
            for first, last, number in track:
                if not (until < first <= last and _has(moments, first) and _has(moments, last) and number >= 0):
                    raise ValueError("a run that is none")
                _, until = things[number], last


def _check_counters(counted: Counted) -> None:
    """Raise ValueError for a counter of no end or severity that there is, or a count of one that was not read."""
    for end, _, severity in counted.read:
        WhichEnd(end), Severity(severity)
    if not {row[:3] for row in counted.counts} <= set(counted.read):
        raise ValueError("a count of what was not read")


class Scribe:
    """Writes into a chronicle."""

    def __init__(self, chronicle: Chronicle) -> None:
        self.chronicle = chronicle
        things: tuple[Iterable[msgspec.Struct], ...] = (chronicle.facts, chronicle.links, chronicle.counted)
        self._numbers = {item: number for listed in things for number, item in enumerate(listed)}

    def add(self, seen: Observation, now_s: int) -> bool | None:
        """Take in a snapshot. None where its moment is known; else whether more than the time of seeing changed."""
        known = self.chronicle
        boot = known.boots.setdefault(seen.boot, Boot())
        place = bisect_left(boot.moments, seen.moment)
        if _has(boot.moments, seen.moment) or self._settled(boot, seen):
            return None
        before = boot.moments[place - 1] if place else None
        after = boot.moments[place] if place < len(boot.moments) else None
        moment = Moment(seen.moment, before, after)

        def noted(tracks: dict[str, Track], key: str, number: int | None) -> bool:
            return put(tracks.setdefault(key, []), moment, number)

        changed = [before is None, noted({"": boot.facts}, "", self._number(known.facts, seen.facts))]
        for place_id in boot.links.keys() | seen.links.keys():
            link = seen.links.get(place_id)
            changed.append(noted(boot.links, place_id, None if link is None else self._number(known.links, link)))
        for place_id in boot.counted.keys() | seen.counted.keys():
            counted = seen.counted.get(place_id)
            number = None if counted is None else self._number(known.counted, counted)
            changed.append(noted(boot.counted, place_id, number))
        boot.moments.insert(place, seen.moment)
        _clocks(boot, seen, now_s)
        return any(changed)

    def _settled(self, boot: Boot, seen: Observation) -> bool:
        """Whether a moment of settled history says nothing that is not known; it may be one that was left out."""
        if seen.moment > boot.settled:
            return False
        told = {place_id: self.chronicle.links[number] for place_id, number in _at(boot.links, seen.moment)}
        return told == seen.links

    def add_result(self, tested: Trial) -> bool:
        """Take in what a test said, or what it said when it had come further. Whether that is new."""
        known = self.chronicle.results.get(tested.key)
        if known is not None and _extent(known) >= _extent(tested):
            return False
        self.chronicle.results[tested.key] = tested
        return True

    def _number(self, things: list[Thing], thing: Thing) -> int:
        number = self._numbers.get(thing)
        if number is None:
            number = self._numbers[thing] = len(things)
            things.append(thing)
        return number


def _extent(tested: Trial) -> tuple[float, bytes]:
    return tested.extent_s, msgspec.json.encode(tested)


def _at(tracks: dict[str, Track], moment: int) -> Iterator[tuple[str, int]]:
    """What was seen at a moment, by place."""
    for place_id, track in tracks.items():
        yield from ((place_id, seen) for first, last, seen in track if first <= moment <= last)


def _has(moments: list[int], moment: int) -> bool:
    place = bisect_left(moments, moment)
    return place < len(moments) and moments[place] == moment


def _clocks(boot: Boot, seen: Observation, now_s: int) -> None:
    if seen.number is not None:
        low, high = boot.numbers or (seen.number, seen.number)
        boot.numbers = (min(low, seen.number), max(high, seen.number))
    if seen.wall_s is None:
        return
    if EARLIEST_S <= seen.wall_s <= now_s + LEEWAY_S:
        boot.clock = max(boot.clock or (-1, 0), (seen.moment, seen.wall_s - seen.moment // 100))
    else:
        low, high = boot.impossible or (seen.wall_s, seen.wall_s)
        boot.impossible = (min(low, seen.wall_s), max(high, seen.wall_s))
