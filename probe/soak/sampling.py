"""All links of a soak read once: one sample, and what happened to each since the sample before."""

from collections.abc import Iterator

import msgspec

from probe.observe.events import LinkEvent, LinkEventKind, Observed
from probe.observe.observer import observers
from probe.observe.traffic import Traffic
from probe.soak.journal import LinkSample, Sample
from probe.soak.setup import Setup


class Taken(msgspec.Struct, frozen=True):
    """A sample and what happened since the one before."""

    sample: Sample
    happened: tuple[Observed, ...]


class Sampling:
    """The links, with their files open."""

    def __init__(self, setup: Setup) -> None:
        self._observers = observers(setup.sys, setup.links, setup.snapshot.evidence)
        self._traffic = Traffic(setup.links) if setup.live else None

    def take(self, t: float) -> Taken:
        """The links now, `t` seconds after the start."""
        links: dict[str, LinkSample] = {}
        happened: list[Observed] = []
        rates = {} if self._traffic is None else self._traffic.rates(t)
        for observer in self._observers:
            seen = observer.observe(t)
            happened += seen.happened
            to_host, from_host = rates.get(observer.place_id, (None, None))
            now = seen.reading
            links[observer.place_id] = LinkSample(now.speed_gts, now.width, to_host, from_host, now.temperature_c)
        return Taken(Sample(t, links), tuple(happened))

    def witnessed(self, t: float) -> Iterator[LinkEvent]:
        """What accelerators themselves counted as replayed since the start."""
        for place_id, grown in ({} if self._traffic is None else self._traffic.replayed()).items():
            sentence = f"{grown} packets replayed, by the accelerator's own count (NVML)"
            yield LinkEvent(t=t, place_id=place_id, kind=LinkEventKind.WITNESS, sentence=sentence, bad=grown > 0)

    def close(self) -> None:
        """Let the files go."""
        for observer in self._observers:
            observer.close()
