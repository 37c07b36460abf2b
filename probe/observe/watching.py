"""Watching without a load: the links now, and what happens to them and to the machine, until somebody ends it."""

import time
from collections.abc import Iterator, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.evidence import Evidence
from probe.links.state import LinkState
from probe.observe.clock import Clock
from probe.observe.device_events import DeviceMonitor, LogMonitor
from probe.observe.events import LinkEvent, Observed
from probe.observe.observer import observers


class WatchedEvent(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of the stream: an event of a link, of a device, or of the kernel's log. `time` is that of the epoch."""

    time: float
    kind: str
    sentence: str
    address: str | None = None


class WatchedLink(msgspec.Struct, frozen=True, kw_only=True):
    """One link now, with the errors counted since the watch began."""

    place_id: str
    state: LinkState
    errors: int
    temperature_c: float | None
    present: bool


class Watch:
    """The links of a machine, sampled and listened to."""

    def __init__(
        self, sys: str, links: Sequence[LinkDocument], evidence: Evidence, clock: Clock, *, live: bool
    ) -> None:
        self.clock = clock
        self._addresses = {link.place_id: link.upstream_port for link in links}
        self._observers = observers(sys, links, evidence)
        self._errors = dict.fromkeys(self._addresses, 0)
        self._devices = DeviceMonitor() if live else None
        self._log = LogMonitor() if live else None

    def step(self) -> tuple[list[WatchedLink], list[WatchedEvent]]:
        """The links now, and what happened since the last step."""
        rows, events = [], list(self._heard())
        for observer in self._observers:
            seen = observer.observe(self.clock.now())
            events += [self._told(entry) for entry in seen.happened]
            rows.append(
                WatchedLink(
                    place_id=observer.place_id,
                    state=LinkState(seen.reading.speed_gts, seen.reading.width),
                    errors=self._errors[observer.place_id],
                    temperature_c=seen.reading.temperature_c,
                    present=seen.reading.present,
                )
            )
        return rows, events

    def _told(self, entry: Observed) -> WatchedEvent:
        address = self._addresses[entry.place_id]
        if isinstance(entry, LinkEvent):
            return WatchedEvent(time=time.time(), kind=entry.kind, sentence=entry.sentence, address=address)
        self._errors[entry.place_id] += entry.count
        sentence = f"{entry.count} {entry.severity}: {entry.error} at the {entry.end}"
        return WatchedEvent(time=time.time(), kind="errors", sentence=sentence, address=address)

    def _heard(self) -> Iterator[WatchedEvent]:
        for action, address in self._devices.events() if self._devices is not None else ():
            yield WatchedEvent(time=time.time(), kind=f"device {action}", sentence=f"device {action}", address=address)
        for event in self._log.events() if self._log is not None else ():
            yield WatchedEvent(time=time.time(), kind=event.kind, sentence=event.text, address=event.address)

    def close(self) -> None:
        """Let the files go."""
        for observer in self._observers:
            observer.close()
