"""All links of a soak read once: one sample, and what happened to each since the sample before."""

from collections.abc import Iterable, Iterator

import msgspec

from probe.observe.events import LinkEvent, LinkEventKind, Observed
from probe.observe.heat import HeatTrack
from probe.observe.observer import observers
from probe.observe.traffic import Traffic
from probe.soak.journal import LinkSample, Sample
from probe.soak.setup import Setup

_DRIVER_S = 30.0


class Taken(msgspec.Struct, frozen=True):
    """A sample and what happened since the one before."""

    sample: Sample
    happened: tuple[Observed, ...]


class Sampling:
    """The links, with their files open."""

    def __init__(self, setup: Setup) -> None:
        self._observers = observers(setup.sys, setup.links, setup.snapshot.evidence)
        self._traffic = Traffic(setup.links) if setup.live else None
        self._heat = {link.place_id: HeatTrack(link.place_id) for link in setup.links}
        self._looks_until = 0.0

    def take(self, t: float) -> Taken:
        """The links now, `t` seconds after the start."""
        links: dict[str, LinkSample] = {}
        happened: list[Observed] = []
        rates, heat = ({}, {}) if self._traffic is None else (self._traffic.rates(t), self._traffic.heat())
        for observer in self._observers:
            place_id = observer.place_id
            seen = observer.observe(t)
            own = heat.get(place_id, ())
            happened += [*seen.happened, *self._heat[place_id].take(t, own)]
            now = seen.reading
            temperature = now.temperature_c if now.heat else max((item.temperature_c for item in own), default=None)
            to_host, from_host = rates.get(place_id, (None, None))
            links[place_id] = LinkSample(now.speed_gts, now.width, to_host, from_host, temperature)
        self._follow(t, happened)
        return Taken(Sample(t, links), tuple(happened))

    def _follow(self, t: float, happened: Iterable[Observed]) -> None:
        """For a while after a component came back, look for its disks and interfaces: its driver takes its time."""
        if any(isinstance(entry, LinkEvent) and entry.kind is LinkEventKind.BACK for entry in happened):
            self._looks_until = t + _DRIVER_S
        if self._traffic is not None and t < self._looks_until:
            self._traffic.look_again()

    def witnessed(self, t: float) -> Iterator[LinkEvent]:
        """What accelerators themselves counted as replayed since the start."""
        for place_id, grown in ({} if self._traffic is None else self._traffic.replayed()).items():
            sentence = f"{grown} packets replayed, by the accelerator's own count (NVML)"
            yield LinkEvent(t=t, place_id=place_id, kind=LinkEventKind.WITNESS, sentence=sentence, bad=grown > 0)

    def close(self) -> None:
        """Let the files go."""
        for observer in self._observers:
            observer.close()
