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
from probe.observe.standing import LinkStanding


class WatchedEvent(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of the stream: an event of a link, of a device, or of the kernel's log. `time` is that of the epoch.

    Errors of a link have their count, and what it is a count of.
    """

    time: float
    kind: str
    sentence: str
    address: str | None = None
    bad: bool = False
    count: int | None = None
    counted: str | None = None


class Watch:
    """The links of a machine, sampled and listened to. `standings` are those since the watch began."""

    def __init__(
        self, sys: str, links: Sequence[LinkDocument], evidence: Evidence, clock: Clock, *, live: bool
    ) -> None:
        self.clock = clock
        self.standings = {link.place_id: LinkStanding(link) for link in links}
        self._observers = observers(sys, links, evidence)
        self._devices = DeviceMonitor() if live else None
        self._log = LogMonitor() if live else None

    def step(self) -> list[WatchedEvent]:
        """Read all links once; what happened since the last step."""
        events = list(self._heard())
        for observer in self._observers:
            seen = observer.observe(self.clock.now())
            standing = self.standings[observer.place_id]
            standing.state = LinkState(seen.reading.speed_gts, seen.reading.width)
            standing.temperature_c = seen.reading.temperature_c
            for entry in seen.happened:
                standing.take(entry)
                events.append(_told(entry, standing.link.upstream_port))
        return events

    def _heard(self) -> Iterator[WatchedEvent]:
        for action, address in self._devices.events() if self._devices is not None else ():
            yield WatchedEvent(time=time.time(), kind=f"device {action}", sentence=f"device {action}", address=address)
        for event in self._log.events() if self._log is not None else ():
            yield WatchedEvent(time=time.time(), kind=event.kind, sentence=event.text, address=event.address)

    def close(self) -> None:
        """Let the files go."""
        for observer in self._observers:
            observer.close()


def _told(entry: Observed, address: str | None) -> WatchedEvent:
    now = time.time()
    if isinstance(entry, LinkEvent):
        return WatchedEvent(time=now, kind=entry.kind, sentence=entry.sentence, address=address, bad=entry.bad)
    return WatchedEvent(
        time=now, kind="errors", sentence=f"{entry.count} {entry.words}", address=address, bad=True,
        count=entry.count, counted=entry.words,
    )  # fmt: skip
