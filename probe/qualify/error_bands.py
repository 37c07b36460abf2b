"""Errors against temperature and against time: the seconds that links spent in each band, the errors counted there.

A count between two samples belongs to the stretch between them, and the stretch to the band of the sample that begins
it. Pure.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence

import msgspec

from probe.errors.bit_error_ratio import upper_mean
from probe.observe.events import CountedErrors
from probe.registers.errors import Severity
from probe.soak.journal import Baseline, Entry, LinkSample, Sample, Thinned

BAND_C = 5.0
MOST_STRETCHES = 12
_STRETCHES_S = (60.0, 300.0, 600.0, 1800.0, 3600.0, 7200.0, 14_400.0, 28_800.0, 86_400.0, 604_800.0)
_CONFIDENCE = 0.95
_TEMPERATURE = LinkSample.__struct_fields__.index("temperature_c")


class ErrorBand(msgspec.Struct, frozen=True, kw_only=True):
    """What a link counted in one band: `least` to below `most`, in degrees Celsius or in seconds of soaking.

    An empty place is all links together, and its seconds are theirs added up. Both bounds are null for the time in
    which no temperature was read. `per_hour_below` is the upper 95 % bound of the correctable errors an hour (Garwood),
    null for no time.
    """

    place_id: str
    least: float | None
    most: float | None
    seconds: float
    correctable: int
    uncorrectable: int
    per_hour_below: float | None


class _Stretch(msgspec.Struct, frozen=True):
    """The time from one sample to the next."""

    begins: float
    ends: float
    temperature_c: float | None


def by_temperature(entries: Sequence[Entry], places: Sequence[str]) -> Iterator[ErrorBand]:
    """Bands of 5 degrees for each link; the bands are those in which it was."""

    def band(stretch: _Stretch) -> float | None:
        return None if stretch.temperature_c is None else stretch.temperature_c // BAND_C * BAND_C

    yield from _with_all(_banded(entries, places, band, lambda least: least + BAND_C))


def by_time(entries: Sequence[Entry], places: Sequence[str]) -> Iterator[ErrorBand]:
    """Stretches of equal length over the whole soak, twelve at the most."""
    last = max((entry.until if isinstance(entry, Thinned) else entry.t for entry in _samples(entries)), default=0.0)
    wide = next((width for width in _STRETCHES_S if width * MOST_STRETCHES >= last), _STRETCHES_S[-1])
    by_stretch = _banded(entries, places, lambda stretch: stretch.begins // wide * wide, lambda least: least + wide)
    yield from _with_all(by_stretch)


def _with_all(bands: Iterator[ErrorBand]) -> Iterator[ErrorBand]:
    """Before the bands of the links, those of all links together."""
    listed = list(bands)
    for least, most in dict.fromkeys((item.least, item.most) for item in sorted(listed, key=_order)):
        same = [item for item in listed if item.least == least]
        yield _band(
            "", (least, most), sum(item.seconds for item in same), sum(item.correctable for item in same),
            sum(item.uncorrectable for item in same),
        )  # fmt: skip
    yield from listed


def _order(band: ErrorBand) -> tuple[bool, float]:
    return band.least is None, band.least or 0.0


def _band(
    place: str, ends: tuple[float | None, float | None], seconds: float, correctable: int, uncorrectable: int
) -> ErrorBand:
    bound = upper_mean(correctable, _CONFIDENCE) / seconds * 3600.0 if seconds > 0 else None
    return ErrorBand(
        place_id=place, least=ends[0], most=ends[1], seconds=round(seconds, 3), correctable=correctable,
        uncorrectable=uncorrectable, per_hour_below=bound,
    )  # fmt: skip


def _banded(
    entries: Sequence[Entry],
    places: Sequence[str],
    band: Callable[[_Stretch], float | None],
    end: Callable[[float], float],
) -> Iterator[ErrorBand]:
    samples = _samples(entries)
    counts_from = next((entry.t for entry in entries if isinstance(entry, Baseline)), 0.0)
    for place in places:
        stretches = list(_stretches(place, samples))
        seconds: dict[float | None, float] = defaultdict(float)
        found: dict[tuple[float | None, bool], int] = defaultdict(int)
        for stretch in stretches:
            seconds[band(stretch)] += stretch.ends - stretch.begins
        for entry in entries:
            correctable = isinstance(entry, CountedErrors) and entry.severity is Severity.CORRECTABLE
            if not isinstance(entry, CountedErrors) or entry.place_id != place or not stretches:
                continue
            if correctable and entry.t < counts_from:
                continue
            found[band(_in_which(entry.t, stretches)), correctable] += entry.count
        for least in sorted({*seconds, *(key for key, _ in found)}, key=lambda value: (value is None, value or 0.0)):
            ends = (least, None if least is None else end(least))
            yield _band(place, ends, seconds[least], found[least, True], found[least, False])


def _samples(entries: Sequence[Entry]) -> list[Sample | Thinned]:
    return [entry for entry in entries if isinstance(entry, Sample | Thinned)]


def _stretches(place: str, samples: Sequence[Sample | Thinned]) -> Iterator[_Stretch]:
    for number, sample in enumerate(samples):
        if place not in sample.links:
            continue
        own = sample.until if isinstance(sample, Thinned) else sample.t
        ends = samples[number + 1].t if number + 1 < len(samples) else own
        yield _Stretch(sample.t, ends, _temperature(place, sample))


def _temperature(place: str, sample: Sample | Thinned) -> float | None:
    """Of samples that were thinned, the mean."""
    if isinstance(sample, Sample):
        return sample.links[place].temperature_c
    spread = sample.links[place][_TEMPERATURE]
    return None if spread is None else spread.mean


def _in_which(t: float, stretches: Sequence[_Stretch]) -> _Stretch:
    """The stretch at whose end, or within which, something was counted."""
    at = bisect_left(stretches, t, key=lambda stretch: stretch.begins)
    return stretches[max(at - 1, 0)]
