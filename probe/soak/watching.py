"""Watching without a load: the links now, and what happens to them, until somebody ends it."""

import time
from collections.abc import Iterator

import msgspec

from probe.links.state import LinkState
from probe.observe.device_events import DeviceMonitor, LogMonitor
from probe.observe.sampler import LinkSampler
from probe.soak.journal import Errors, Event
from probe.soak.runner import Setup
from probe.soak.tracking import LinkTrack


class Happening(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One event of the stream. `time` is seconds since the epoch."""

    time: float
    kind: str
    sentence: str
    address: str | None = None


class Row(msgspec.Struct, frozen=True, kw_only=True):
    """One link now."""

    place: str
    state: LinkState
    errors: int
    temperature_c: float | None
    present: bool


class Watch:
    """The links of a machine, sampled and listened to."""

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._addresses = {link.place_id: link.upstream_port for link in setup.links}
        self._samplers = [LinkSampler(setup.sys, link, setup.snapshot.evidence) for link in setup.links]
        self._tracks = {sampler.place: LinkTrack(sampler.place, (None, None)) for sampler in self._samplers}
        self._errors = dict.fromkeys(self._tracks, 0)
        self._devices = DeviceMonitor() if setup.live else None
        self._log = LogMonitor() if setup.live else None
        for sampler in self._samplers:
            self._tracks[sampler.place].begin(sampler.counters() or {})

    def step(self) -> tuple[list[Row], list[Happening]]:
        """The links now, and what happened since the last step."""
        t, rows, happenings = time.monotonic(), [], list(self._heard())
        for sampler in self._samplers:
            track, reading = self._tracks[sampler.place], sampler.read()
            entries: list[Event | Errors] = list(track.take(t, reading))
            counters = sampler.counters()
            if counters is not None:
                entries += track.count(t, counters)
            happenings += [self._told(entry) for entry in entries]
            rows.append(
                Row(
                    place=sampler.place,
                    state=LinkState(reading.speed_gts, reading.width),
                    errors=self._errors[sampler.place],
                    temperature_c=reading.temperature_c,
                    present=reading.present,
                )
            )
        return rows, happenings

    def _told(self, entry: Event | Errors) -> Happening:
        address = self._addresses.get(entry.place)
        if isinstance(entry, Event):
            return Happening(time=time.time(), kind=entry.kind, sentence=entry.sentence, address=address)
        self._errors[entry.place] += entry.count
        sentence = f"{entry.count} {entry.severity}: {entry.error} at the {entry.end}"
        return Happening(time=time.time(), kind="errors", sentence=sentence, address=address)

    def _heard(self) -> Iterator[Happening]:
        for action, address in self._devices.events() if self._devices is not None else ():
            yield Happening(time=time.time(), kind=f"device {action}", sentence=f"device {action}", address=address)
        for event in self._log.events() if self._log is not None else ():
            yield Happening(time=time.time(), kind=event.kind, sentence=event.text, address=event.address)

    def close(self) -> None:
        """Let the files go."""
        for sampler in self._samplers:
            sampler.close()
