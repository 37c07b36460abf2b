"""What a person watches while a soak runs. Made from what is recorded; nothing reads it but the screen."""

from collections.abc import Iterable, Iterator, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.links.state import LinkState
from probe.loads.results import FROM_HOST, TO_HOST, Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent
from probe.observe.standing import LinkStanding, Standing
from probe.soak.journal import Baseline, Entry, Gap, LinkSample, Sample
from probe.soak.together import ceiling_of
from probe.soak.under_load import ENOUGH

_FRESH_S = 15.0
"""A measurement older than this says nothing of now; the phases of the loads are shorter."""


class Happening(msgspec.Struct, frozen=True, kw_only=True):
    """One line of what happened, `t` seconds after the start; `place_id` is None for the whole run.

    Errors have a count, and `words` say of what.
    """

    t: float
    place_id: str | None
    words: str
    count: int | None = None
    bad: bool = False


class Carried(msgspec.Struct, frozen=True):
    """What goes over a link now: bytes a second one way or both, and the share of what it can carry so."""

    bytes_s: float
    share: float | None


class LinkProgress:
    """One link of a soak."""

    def __init__(self, link: LinkDocument) -> None:
        self.standing = LinkStanding(link)
        self._ceiling = link.bandwidth.ceiling_bytes_s
        self._sample = LinkSample()
        self._passes: dict[tuple[str, str], Pass] = {}

    def sampled(self, sample: LinkSample) -> None:
        """Take in how it was read last."""
        self._sample = sample
        self.standing.state = LinkState(sample.speed_gts, sample.width)
        self.standing.temperature_c = sample.temperature_c

    def measured(self, item: Pass) -> None:
        """Take in what a load moved over it."""
        self._passes[item.load, item.target] = item

    def carried(self, t: float) -> Carried | None:
        """What goes over it at this time; None where nothing says so. What loads measure comes before counters."""
        fresh = [item for item in self._passes.values() if item.seconds > 0 and t - item.t <= _FRESH_S]
        if fresh:
            way = max(fresh, key=lambda item: item.t).direction
            moved = sum(item.bytes / item.seconds for item in fresh if item.direction == way)
            return self._of(moved, ceiling_of(self._ceiling, way))
        ways = ((self._sample.to_host_bytes_s, TO_HOST), (self._sample.from_host_bytes_s, FROM_HOST))
        known = [(moved, way) for moved, way in ways if moved is not None]
        if not known:
            return None
        moved, way = max(known)
        return self._of(moved, ceiling_of(self._ceiling, way))

    @staticmethod
    def _of(moved: float, ceiling: int | None) -> Carried:
        return Carried(moved, moved / ceiling if ceiling else None)

    def now(self, t: float) -> Standing:
        """How it stands."""
        carried = self.carried(t)
        return self.standing.now(loaded=carried is not None and (carried.share or 0.0) >= ENOUGH)


class Progress:
    """The state of a soak as last recorded; `happened` holds what the last recording told anew."""

    def __init__(self, links: Iterable[LinkDocument], planned_s: float | None) -> None:
        self.planned_s = planned_s
        self.t = 0.0
        self.links = {link.place_id: LinkProgress(link) for link in links}
        self.happened: tuple[Happening, ...] = ()

    def take(self, entries: Sequence[Entry]) -> None:
        """Take in what was just recorded."""
        for entry in entries:
            if isinstance(entry, Sample):
                self.t = entry.t
                for place_id, sample in entry.links.items():
                    self.links[place_id].sampled(sample)
            elif isinstance(entry, CountedErrors | LinkEvent) and entry.place_id in self.links:
                self.links[entry.place_id].standing.take(entry)
            elif isinstance(entry, Pass):
                for place_id in entry.places.intersection(self.links):
                    self.links[place_id].measured(entry)
        self.happened = tuple(_happenings(entries))


def _happenings(entries: Iterable[Entry]) -> Iterator[Happening]:
    for entry in entries:
        match entry:
            case LinkEvent():
                yield Happening(t=entry.t, place_id=entry.place_id or None, words=entry.sentence, bad=entry.bad)
            case CountedErrors():
                yield Happening(t=entry.t, place_id=entry.place_id, words=entry.words, count=entry.count, bad=True)
            case Mismatch():
                words = f"{entry.load} {entry.target}: data came back changed at offset {entry.offset}"
                yield Happening(t=entry.t, place_id=entry.place_id or None, words=words, bad=True)
            case Gap():
                yield Happening(t=entry.t, place_id=None, words=f"no samples since {entry.since:.0f} s: {entry.why}")
            case Baseline():
                yield Happening(
                    t=entry.t, place_id=None, words="the links run: errors count against the limit from here"
                )
            case _:
                pass
