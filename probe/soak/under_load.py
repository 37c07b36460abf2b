"""When a link was under load, by evidence: bytes that loads or counters say went over it, or the person's own word.

A tenth of what the link can carry is load enough (of the rate that the person set, where that is less): a link that
carries less may rest in between. Pure.
"""

from collections.abc import Iterable, Sequence

from probe.audit.document import LinkDocument
from probe.loads.results import Pass
from probe.soak.journal import LinkSample, Sample, Start, Thinned

ENOUGH = 0.1
_FIELDS = LinkSample.__struct_fields__
_MOVED = (_FIELDS.index("to_host_bytes_s"), _FIELDS.index("from_host_bytes_s"))


def enough_bytes_s(link: LinkDocument, start: Start) -> float | None:
    """What counts as load on this link, bytes a second one way; None where nobody knows what it can carry."""
    ceilings = (link.bandwidth.ceiling_bytes_s.to_host, link.bandwidth.ceiling_bytes_s.from_host)
    known = [*filter(None, ceilings)] or [*filter(None, (link.bandwidth.negotiated_bytes_s,))]
    rates = [*known, *filter(None, (start.rate_bytes_s,))]
    return ENOUGH * min(rates) if known else None


def loaded(
    link: LinkDocument, start: Start, passes: Iterable[Pass], sampled: Sequence[Sample | Thinned]
) -> bool | None:
    """Whether the link was under load at any time; None where nothing says how much went over it."""
    if link.place_id in start.covers:
        return True
    enough = enough_bytes_s(link, start)
    moved = [item.bytes / item.seconds for item in passes if link.place_id in item.places and item.seconds > 0]
    moved += [rate for sample in sampled if (rate := most_moved(link.place_id, sample)) is not None]
    if not moved or enough is None:
        return None
    return max(moved) >= enough


def is_loaded_at(link: LinkDocument, start: Start, passes: Iterable[Pass], sample: Sample) -> bool:
    """Whether the link was under load at the moment of a sample."""
    if link.place_id in start.covers:
        return True
    enough = enough_bytes_s(link, start)
    if enough is None:
        return False
    seen = most_moved(link.place_id, sample)
    if seen is not None and seen >= enough:
        return True
    return any(
        link.place_id in item.places
        and item.seconds > 0
        and item.t - item.seconds <= sample.t <= item.t
        and item.bytes / item.seconds >= enough
        for item in passes
    )


def most_moved(place_id: str, sample: Sample | Thinned) -> float | None:
    """The most bytes a second one way that counters saw in a sample; None where none were read. Thinning keeps it."""
    if place_id not in sample.links:
        return None
    if isinstance(sample, Thinned):
        spreads = (sample.links[place_id][index] for index in _MOVED)
        return max((spread.most for spread in spreads if spread is not None), default=None)
    seen = sample.links[place_id]
    known = [rate for rate in (seen.to_host_bytes_s, seen.from_host_bytes_s) if rate is not None]
    return max(known, default=None)
