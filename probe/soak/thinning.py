"""Older samples thinned to the least, mean and most of each value, so that days stay bounded. Pure."""

from collections.abc import Iterable, Iterator

from probe.soak.journal import Entry, LinkSample, Sample, Spread, Thinned

FINE_SAMPLES = 1800
BUCKET_SAMPLES = 60
COARSE_BUCKETS = 1440


def thinned(entries: Iterable[Entry]) -> Iterator[Entry]:
    """The same entries with all but the last fine samples thinned, and old buckets made coarser."""
    listed = list(entries)
    samples = [entry for entry in listed if isinstance(entry, Sample)]
    keep_from = samples[-FINE_SAMPLES].t if len(samples) > FINE_SAMPLES else -1.0
    buckets = [entry for entry in listed if isinstance(entry, Thinned)]
    coarse_until = buckets[-COARSE_BUCKETS].t if len(buckets) > COARSE_BUCKETS else -1.0
    waiting: list[Sample | Thinned] = []
    for entry in listed:
        if (isinstance(entry, Sample) and entry.t < keep_from) or (
            isinstance(entry, Thinned) and entry.t < coarse_until
        ):
            waiting.append(entry)
            if len(waiting) == BUCKET_SAMPLES:
                yield bucket(waiting)
                waiting = []
        elif isinstance(entry, Sample | Thinned):
            if waiting:
                yield bucket(waiting)
                waiting = []
            yield entry
        else:
            yield entry
    if waiting:
        yield bucket(waiting)


def bucket(samples: list[Sample | Thinned]) -> Thinned:
    """Samples (and buckets) as one bucket."""
    places = sorted({place for sample in samples for place in sample.links})
    count = sum(sample.samples if isinstance(sample, Thinned) else 1 for sample in samples)
    last = samples[-1]
    until = last.until if isinstance(last, Thinned) else last.t
    return Thinned(samples[0].t, until, count, {place: _spreads(place, samples) for place in places})


def _spreads(place: str, samples: list[Sample | Thinned]) -> tuple[Spread | None, ...]:
    return tuple(_spread(place, index, samples) for index in range(len(LinkSample.__struct_fields__)))


def _spread(place: str, index: int, samples: list[Sample | Thinned]) -> Spread | None:
    found: list[tuple[Spread, int]] = []
    for sample in samples:
        if place not in sample.links:
            continue
        if isinstance(sample, Thinned):
            spread = sample.links[place][index]
            if spread is not None:
                found.append((spread, sample.samples))
        else:
            value = getattr(sample.links[place], LinkSample.__struct_fields__[index])
            if value is not None:
                found.append((Spread(value, value, value), 1))
    if not found:
        return None
    weight = sum(count for _, count in found)
    mean = sum(spread.mean * count for spread, count in found) / weight
    return Spread(min(spread.least for spread, _ in found), mean, max(spread.most for spread, _ in found))
