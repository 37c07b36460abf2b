"""What a link did between samples: events, transitions, time in each state, errors since the baseline. Pure."""

from collections import defaultdict

from probe.observe.sampler import Counters, Reading
from probe.soak.journal import Errors, Event

State = tuple[float | None, int | None]


class LinkTrack:
    """One link over time."""

    def __init__(self, place: str, possible: State) -> None:
        self.place = place
        self.possible = possible
        self.transitions = 0
        self.time_in: defaultdict[State, float] = defaultdict(float)
        self._last: Reading | None = None
        self._last_t = 0.0
        self._counts: Counters = {}

    def take(self, t: float, reading: Reading) -> list[Event]:
        """The events between the last reading and this one."""
        last = self._last
        events: list[Event] = []
        if last is not None:
            self.time_in[last.speed_gts, last.width] += t - self._last_t
            events = list(self._changes(t, last, reading))
        self._last, self._last_t = reading, t
        return events

    def _changes(self, t: float, last: Reading, now: Reading) -> list[Event]:
        found: list[Event] = []
        if last.present != now.present:
            word = "the component is gone" if not now.present else "the component is there again"
            found.append(self._event(t, "gone" if not now.present else "back", word, bad=not now.present))
        if (last.speed_gts, last.width) != (now.speed_gts, now.width):
            self.transitions += 1
            found.append(self._state_change(t, last, now))
        elif now.managed and not last.managed:
            self.transitions += 1
            sentence = "the link was retrained between two samples, and is as it was (Link Bandwidth Management Status)"
            found.append(self._event(t, "retrained", sentence, bad=False))
        if now.power_state != last.power_state:
            sentence = f"power state went from {last.power_state or 'not read'} to {now.power_state or 'not read'}"
            found.append(self._event(t, "power", sentence, bad=False))
        new = now.lanes - last.lanes
        if new:
            lanes = ", ".join(map(str, sorted(new)))
            found.append(self._event(t, "lane error", f"errors in lane {lanes}", bad=True))
        return found

    def _state_change(self, t: float, last: Reading, now: Reading) -> Event:
        if now.speed_gts is None or now.width is None:
            return self._event(t, "link down", f"the link went down (was {_told(last)})", bad=True)
        if last.speed_gts is None or last.width is None:
            return self._event(t, "link up", f"the link is up, at {_told(now)}", bad=False)
        narrower = now.width < last.width
        return self._event(t, "state", f"went from {_told(last)} to {_told(now)}", bad=narrower)

    def _event(self, t: float, kind: str, sentence: str, *, bad: bool) -> Event:
        return Event(t=t, place=self.place, kind=kind, sentence=sentence, bad=bad)

    def count(self, t: float, counters: Counters) -> list[Errors]:
        """The growth of each counter since the last call; one that went down began anew."""
        anew = any(counters.get(key, 0) < count for key, count in self._counts.items())
        grown = []
        for key, count in counters.items():
            growth = count if anew else count - self._counts.get(key, 0)
            if growth > 0:
                end, function, severity, error = key
                grown.append(
                    Errors(
                        t=t, place=self.place, end=end, function=function, severity=severity, error=error, count=growth
                    )
                )
        self._counts = counters
        return grown

    def begin(self, counters: Counters) -> None:
        """Take what was counted so far as the ground to count from."""
        self._counts = counters


def _told(reading: Reading) -> str:
    return f"{reading.speed_gts:g} GT/s x{reading.width}" if reading.speed_gts and reading.width else "down"
