"""What the time of the soaks can show on each link: the bits that passed, the errors among them, a ratio. Pure."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.errors.attribution import findings, is_link_error
from probe.errors.bit_error_ratio import upper_mean
from probe.errors.counts import summed
from probe.links.link import WhichEnd
from probe.observe.events import CountedErrors
from probe.soak.journal import Baseline, Entry, Sample, Thinned

_CONFIDENCE = 0.95
_GIGA = 1e9


class Confidence(msgspec.Struct, frozen=True, kw_only=True):
    """One link over all soaks: the bits of one direction in that time, and the bit error ratio that they speak for.

    `errors` are correctable link errors, null where they could not be counted; `counted_at` are the ends that count
    them. What one end receives, it alone counts: where one end does not count, its direction is not spoken for.
    `ratio_below` is the upper 95 % bound, null without bits or counts, and in Flit mode, where errors are corrected as
    a part of normal work.
    """

    place_id: str
    title: str
    seconds: float
    bits: float | None
    errors: int | None
    ratio_below: float | None
    counted_at: tuple[WhichEnd, ...] = ()


def confidence(link: LinkDocument, soaks: Sequence[Sequence[Entry]]) -> Confidence:
    """What the soaks of a link can show."""
    moments = [moment for entries in soaks for moment in _moments(link.place_id, entries)]
    seconds = sum(time for time, _ in moments)
    bits = sum(time * rate for time, rate in moments)
    errors = _errors(link, soaks)
    speaks = bits > 0 and errors is not None and not link.bandwidth.flit_mode
    return Confidence(
        place_id=link.place_id, title=title(link), seconds=round(seconds, 3), bits=bits or None, errors=errors,
        ratio_below=upper_mean(errors or 0, _CONFIDENCE) / bits if speaks else None,
        counted_at=counted_at(link),
    )  # fmt: skip


def counted_at(link: LinkDocument) -> tuple[WhichEnd, ...]:
    """The ends of a link whose counters of correctable errors were read."""
    counting = {address for address, totals in link.counters.items() if totals.correctable is not None}
    below = set(link.component.functions if link.component else ())
    found = ((WhichEnd.PORT, link.downstream_port in counting), (WhichEnd.COMPONENT, not below.isdisjoint(counting)))
    return tuple(end for end, counts in found if counts)


def _moments(place: str, entries: Sequence[Entry]) -> Iterator[tuple[float, float]]:
    """Seconds and the bits a second of one direction, from one sample to the next, since errors count."""
    since = next((entry.t for entry in entries if isinstance(entry, Baseline)), 0.0)
    samples = [entry for entry in entries if isinstance(entry, Sample | Thinned)]
    for sample, following in pairwise(samples):
        if place in sample.links and sample.t >= since:
            speed, width = _least(place, sample)
            if speed is not None and width is not None:
                yield following.t - sample.t, speed * _GIGA * width


def _least(place: str, sample: Sample | Thinned) -> tuple[float | None, float | None]:
    """The slowest and narrowest of the time, so that no bit is claimed that did not pass."""
    if isinstance(sample, Thinned):
        speed, width = sample.links[place][:2]
        return (None, None) if speed is None or width is None else (speed.least, width.least)
    return sample.links[place].speed_gts, sample.links[place].width


def _errors(link: LinkDocument, soaks: Sequence[Sequence[Entry]]) -> int | None:
    if link.errors.correctable is None:
        return None
    counted = []
    for entries in soaks:
        since = next((entry.t for entry in entries if isinstance(entry, Baseline)), 0.0)
        own = (entry for entry in entries if isinstance(entry, CountedErrors) and entry.place_id == link.place_id)
        counted += [entry.counted for entry in own if entry.t >= since]
    return sum(found.events for found in findings(summed(counted)) if is_link_error(found))
