"""When a link was under load, by evidence: bytes that loads or counters say went over it, or the person's own word.

A tenth of what the link can carry is load enough (of the rate that the person set, where that is less): a link that
carries less may rest in between. Pure.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping

import msgspec

from probe.audit.document import LinkDocument
from probe.loads.results import Pass
from probe.soak.journal import LinkSample, Start

ENOUGH = 0.1


class Load(msgspec.Struct, frozen=True):
    """Whether a link was under load at a moment: by evidence, or by the person's word alone."""

    seen: bool
    claimed: bool


NO_LOAD = Load(seen=False, claimed=False)


def enough_bytes_s(link: LinkDocument, start: Start) -> float | None:
    """What counts as load on this link, bytes a second one way; None where nobody knows what it can carry."""
    ceilings = (link.bandwidth.ceiling_bytes_s.to_host, link.bandwidth.ceiling_bytes_s.from_host)
    known = [*filter(None, ceilings)] or [*filter(None, (link.bandwidth.negotiated_bytes_s,))]
    rates = [*known, *filter(None, (start.rate_bytes_s,))]
    return ENOUGH * min(rates) if known else None


class LoadEvidence:
    """What loads measured in a run, by which it is known of each sample whether a link was under load then."""

    def __init__(self, start: Start, links: Mapping[str, LinkDocument], passes: Iterable[Pass]) -> None:
        self.enough = {place_id: enough_bytes_s(link, start) for place_id, link in links.items()}
        self._covered = frozenset(start.covers)
        self._times = {place_id: _merged(found) for place_id, found in self._loaded_times(passes).items()}

    def _loaded_times(self, passes: Iterable[Pass]) -> dict[str, list[tuple[float, float]]]:
        found: dict[str, list[tuple[float, float]]] = defaultdict(list)
        for item in passes:
            for place_id in item.places:
                enough = self.enough.get(place_id)
                if enough is not None and item.seconds > 0 and item.bytes / item.seconds >= enough:
                    found[place_id].append((item.t - item.seconds, item.t))
        return found

    def at(self, t: float, place_id: str, sample: LinkSample) -> Load:
        """Whether a link was under load when it was sampled."""
        enough = self.enough.get(place_id)
        moved = most_moved(sample)
        seen = enough is not None and ((moved is not None and moved >= enough) or self._measured_at(t, place_id))
        return Load(seen=seen, claimed=not seen and place_id in self._covered)

    def _measured_at(self, t: float, place_id: str) -> bool:
        times = self._times.get(place_id, ())
        at = bisect_right(times, (t, float("inf"))) - 1
        return at >= 0 and t <= times[at][1]


def _merged(times: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The same times without overlap, in order."""
    found: list[tuple[float, float]] = []
    for begin, end in sorted(times):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((begin, end))
    return found


def most_moved(sample: LinkSample) -> float | None:
    """The most bytes a second one way that counters saw in a sample; None where none were read."""
    known = [rate for rate in (sample.to_host_bytes_s, sample.from_host_bytes_s) if rate is not None]
    return max(known, default=None)
