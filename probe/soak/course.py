"""The course of one link through a soak, for a picture of the whole of it: few spans, that keep the least and the most.

Where nobody looked, there is no span: nothing is drawn through it. Pure.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TypeVar

import msgspec

from probe.links.state import LinkState
from probe.loads.results import FROM_HOST, TO_HOST, Pass
from probe.observe.events import CountedErrors, LinkEvent
from probe.registers.errors import Severity
from probe.soak.journal import Entry, Gap, LinkSample, Passes, Sample, Spread, Start, Thinned, moment

MOST_SPANS = 240
_FIELDS = LinkSample.__struct_fields__
_SPEED, _WIDTH, _TO_HOST, _FROM_HOST, _HEAT = range(len(_FIELDS))
_LATE = 3.0
"""A sample that comes later than so many intervals leaves the time between untold."""


class ValueSpan(msgspec.Struct, frozen=True):
    """A value from `t` to `until`, seconds since the start."""

    t: float
    until: float
    least: float
    mean: float
    most: float


class StateSpan(msgspec.Struct, frozen=True):
    """A state from `t` to `until`, the worst of `several`; `state` is None where it was down or not read."""

    t: float
    until: float
    state: LinkState | None
    several: bool = False


Spanned = TypeVar("Spanned", ValueSpan, StateSpan)


class ErrorSpan(msgspec.Struct, frozen=True):
    """Errors counted from `t` to `until`."""

    t: float
    until: float
    correctable: int
    uncorrectable: int


class Course(msgspec.Struct, frozen=True, kw_only=True):
    """One link. `rates` are bytes a second by way, told by counters where there are any, else by the loads."""

    states: tuple[StateSpan, ...] = ()
    rates: dict[str, tuple[ValueSpan, ...]] = {}
    by_counters: bool = False
    errors: tuple[ErrorSpan, ...] = ()
    heat: tuple[ValueSpan, ...] = ()
    events: tuple[LinkEvent, ...] = ()


def courses(entries: Sequence[Entry], end_s: float) -> dict[str, Course]:
    """The course of each link that was sampled, by place id; `end_s` is when the run ended."""
    by_place: dict[str, _Links] = defaultdict(_Links)
    for t, until, entry in _timed(entries):
        for place_id in entry.links:
            by_place[place_id].sampled.append((t, until, _spreads(entry, place_id)))
    for item in entries:
        if isinstance(item, CountedErrors | LinkEvent) and item.place_id in by_place:
            by_place[item.place_id].happened.append(item)
        elif isinstance(item, Pass) and item.seconds > 0:
            for place_id in item.places.intersection(by_place):
                by_place[place_id].passes.append(item)
        elif isinstance(item, Passes):
            for place_id in item.like.places.intersection(by_place):
                by_place[place_id].passes.append(item)
    return {place_id: _course(link, end_s) for place_id, link in by_place.items()}


_Spreads = Sequence[Spread | None]


class _Links(msgspec.Struct):
    """What was recorded of one link."""

    sampled: list[tuple[float, float, _Spreads]] = []
    happened: list[CountedErrors | LinkEvent] = []
    passes: list[Pass | Passes] = []


def _timed(entries: Sequence[Entry]) -> Iterator[tuple[float, float, Sample | Thinned]]:
    """Each sample with the time that it tells of: until the next, unless nobody looked before that."""
    interval = next((entry.interval_s for entry in entries if isinstance(entry, Start)), 1.0)
    last: Sample | Thinned | None = None
    blind: float | None = None
    for entry in entries:
        if isinstance(entry, Gap):
            blind = entry.since if blind is None else blind
        if not isinstance(entry, Sample | Thinned):
            continue
        if last is not None:
            in_time = entry.t - moment(last) <= _LATE * interval
            yield last.t, blind if blind is not None else entry.t if in_time else moment(last), last
        last, blind = entry, None
    if last is not None:
        yield last.t, moment(last), last


def _spreads(entry: Sample | Thinned, place_id: str) -> _Spreads:
    if isinstance(entry, Thinned):
        return entry.links[place_id]
    values = (getattr(entry.links[place_id], field) for field in _FIELDS)
    return [None if value is None else Spread(value, value, value) for value in values]


def _course(link: _Links, end_s: float) -> Course:
    counters = {way: list(_values(link, index)) for way, index in ((TO_HOST, _TO_HOST), (FROM_HOST, _FROM_HOST))}
    by_counters = any(counters.values())
    rates = counters if by_counters else _measured(link.passes)
    errors = [item for item in link.happened if isinstance(item, CountedErrors)]
    return Course(
        states=tuple(_fewer_states(list(_states(link)), end_s)),
        rates={way: tuple(fewer(spans, end_s)) for way, spans in rates.items() if spans},
        by_counters=by_counters,
        errors=tuple(_error_spans(errors, end_s)),
        heat=tuple(fewer(list(_values(link, _HEAT)), end_s)),
        events=tuple(item for item in link.happened if isinstance(item, LinkEvent)),
    )


def _values(link: _Links, index: int) -> Iterator[ValueSpan]:
    for t, until, spreads in link.sampled:
        spread = spreads[index]
        if spread is not None:
            yield ValueSpan(t, until, spread.least, spread.mean, spread.most)


def _measured(passes: Iterable[Pass | Passes]) -> Mapping[str, list[ValueSpan]]:
    """What the loads moved, by way; a pass tells of the time that it took, many as one of all of theirs."""
    found: dict[str, list[ValueSpan]] = defaultdict(list)
    for item in passes:
        if isinstance(item, Passes):
            rates = item.rates
            found[item.like.direction].append(ValueSpan(item.since, item.t, rates.least, rates.median, rates.most))
            continue
        rate = item.bytes / item.seconds
        found[item.direction].append(ValueSpan(max(item.t - item.seconds, 0.0), item.t, rate, rate, rate))
    return found


def fewer(spans: Sequence[ValueSpan], end_s: float) -> Iterator[ValueSpan]:
    """The same in MOST_SPANS at the most; each keeps the least and the most of what it stands for."""
    if len(spans) <= MOST_SPANS:
        yield from spans
        return
    for members in _buckets(spans, end_s):
        weights = [max(item.until - item.t, 1e-9) for item in members]
        mean = sum(item.mean * weight for item, weight in zip(members, weights, strict=True)) / sum(weights)
        yield ValueSpan(
            members[0].t, max(item.until for item in members), min(item.least for item in members), mean,
            max(item.most for item in members),
        )  # fmt: skip


def _states(link: _Links) -> Iterator[StateSpan]:
    """One span as long as the state stays and somebody looks."""
    last: StateSpan | None = None
    for t, until, spreads in link.sampled:
        now = _state(t, until, spreads)
        if last is not None and (last.state, last.several) == (now.state, now.several) and now.t <= last.until:
            last = msgspec.structs.replace(last, until=max(until, last.until))
            continue
        if last is not None:
            yield last
        last = now
    if last is not None:
        yield last


def _state(t: float, until: float, spreads: _Spreads) -> StateSpan:
    speed, width = spreads[_SPEED], spreads[_WIDTH]
    if speed is None or width is None:
        return StateSpan(t, until, None)
    several = speed.least < speed.most or width.least < width.most
    return StateSpan(t, until, LinkState(speed.least, int(width.least)), several)


def _fewer_states(spans: Sequence[StateSpan], end_s: float) -> Iterator[StateSpan]:
    if len(spans) <= MOST_SPANS:
        yield from spans
        return
    for members in _buckets(spans, end_s):
        worst = min(members, key=lambda item: badness(item.state))
        differ = len({item.state for item in members}) > 1
        until = max(item.until for item in members)
        yield StateSpan(members[0].t, until, worst.state, worst.several or differ)


def badness(state: LinkState | None) -> float:
    """An order of states by what they carry, the worst first; down is less than any."""
    return 0.0 if state is None else (state.speed_gts or 0.0) * (state.width or 0)


def _error_spans(errors: Sequence[CountedErrors], end_s: float) -> Iterator[ErrorSpan]:
    step = max(end_s / MOST_SPANS, 1e-9)
    counts: dict[int, list[int]] = defaultdict(lambda: [0, 0])
    for item in errors:
        number = min(int(max(item.t, 0.0) / step), MOST_SPANS - 1)
        counts[number][item.severity is not Severity.CORRECTABLE] += item.count
    for number, (correctable, uncorrectable) in sorted(counts.items()):
        yield ErrorSpan(number * step, (number + 1) * step, correctable, uncorrectable)


def _buckets(spans: Sequence[Spanned], end_s: float) -> Iterator[list[Spanned]]:
    step = max(end_s / MOST_SPANS, 1e-9)
    found: dict[int, list[Spanned]] = defaultdict(list)
    for item in spans:
        found[min(int(item.t / step), MOST_SPANS - 1)].append(item)
    for number in sorted(found):
        yield found[number]
