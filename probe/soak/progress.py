"""What a person watches while a soak runs. Made from what is recorded; nothing reads it but the screen."""

from collections import deque
from collections.abc import Sequence

from probe.loads.results import Pass
from probe.observe.events import CountedErrors, LinkEvent
from probe.soak.journal import Entry, LinkSample, Sample

_KEPT_EVENTS = 20


class Progress:
    """The state of a soak as last recorded; `events` counts all there were, `latest` keeps the last of them."""

    def __init__(self, planned_s: float | None) -> None:
        self.planned_s = planned_s
        self.t = 0.0
        self.links: dict[str, LinkSample] = {}
        self.errors: dict[str, int] = {}
        self.rates: dict[tuple[str, str, str], float] = {}
        self.events = 0
        self.latest: deque[LinkEvent] = deque(maxlen=_KEPT_EVENTS)

    def take(self, entries: Sequence[Entry]) -> None:
        """Take in what was just recorded."""
        for entry in entries:
            if isinstance(entry, Sample):
                self.t, self.links = entry.t, entry.links
            elif isinstance(entry, CountedErrors):
                self.errors[entry.place_id] = self.errors.get(entry.place_id, 0) + entry.count
            elif isinstance(entry, LinkEvent):
                self.events += 1
                self.latest.append(entry)
            elif isinstance(entry, Pass) and entry.seconds > 0:
                self.rates[entry.place_id, entry.load, entry.direction] = entry.bytes / entry.seconds
