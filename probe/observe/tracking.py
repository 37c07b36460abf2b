"""What a link did between two readings: events, and errors since they were last counted. Pure."""

from collections.abc import Iterator

from probe.evidence import Why
from probe.links.link import WhichEnd
from probe.links.state import LinkState
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind, Observed
from probe.observe.heat import HeatTrack
from probe.observe.sampler import Counters, Reading


class LinkTrack:
    """One link over time. `counters` are those of the snapshot, in which its component was there.

    A reading of which nothing was read says nothing about the link: what it was before is kept for the next that does.
    """

    def __init__(self, place_id: str, counters: Counters) -> None:
        self._place_id = place_id
        self._last: Reading | None = None
        self._read: Reading | None = None
        self._counts = counters
        self._heat = HeatTrack(place_id)

    def take(self, t: float, reading: Reading, counters: Counters | None) -> Iterator[Observed]:
        """What happened since the reading before this one; `counters` is None where no count changed."""
        last, self._last = self._last, reading
        if reading.unread is not Why.HUNG:
            yield from self._occupation(t, last, reading)
        yield from self._silence(t, last, reading)
        yield from self._heat.take(t, reading.heat)
        if reading.unread is None:
            read, self._read = self._read, reading
            if read is not None:
                yield from self._changes(t, read, reading)
        if last is not None and Why.HUNG not in {last.unread, reading.unread}:
            yield from self._power(t, last, reading)
        if counters is not None:
            yield from self._counted(t, counters)

    def _occupation(self, t: float, last: Reading | None, now: Reading) -> Iterator[LinkEvent]:
        """What there is at the place; the counters of one that came are its own, and began at zero."""
        was_there = last.present if last else True
        came = now.occupants > (last.occupants if last else 1)
        if was_there and (came or not now.present):
            yield self._presence(t, present=False)
        if now.present and (came or not was_there):
            yield self._presence(t, present=True)
        if came:
            self._counts = {key: count for key, count in self._counts.items() if key.end is WhichEnd.PORT}

    def _silence(self, t: float, last: Reading | None, now: Reading) -> Iterator[LinkEvent]:
        before = None if last is None else last.unread
        if now.unread is Why.HUNG and before is not Why.HUNG:
            sentence = "did not answer and is left alone; look at its power and seating, and at the kernel log"
            yield self._event(t, LinkEventKind.UNANSWERED, sentence, bad=True)
        if not now.present or now.unread is Why.HUNG:
            return  # there is nothing whose registers and counters could be read
        was_there = last is not None and last.present
        if now.unread is Why.FAILED and not (was_there and before is Why.FAILED):
            yield self._event(t, LinkEventKind.UNREAD, "its registers cannot be read: its state is not known")
        if not now.counted and not (was_there and last is not None and not last.counted):
            yield self._event(t, LinkEventKind.UNREAD, "its error counters cannot be read: errors would not be seen")

    def _power(self, t: float, last: Reading, now: Reading) -> Iterator[LinkEvent]:
        if now.power_state != last.power_state:
            sentence = f"power state went from {last.power_state or 'not read'} to {now.power_state or 'not read'}"
            yield self._event(t, LinkEventKind.POWER, sentence)

    def _changes(self, t: float, last: Reading, now: Reading) -> Iterator[LinkEvent]:
        if (last.speed_gts, last.width) != (now.speed_gts, now.width):
            yield self._state_change(t, last, now)
        elif now.managed and not last.managed:
            sentence = "the link was retrained between two samples, and is as it was (Link Bandwidth Management Status)"
            yield self._event(t, LinkEventKind.RETRAINED, sentence)
        new = now.lanes - last.lanes
        if new:
            lanes = ", ".join(map(str, sorted(new)))
            yield self._event(t, LinkEventKind.LANE_ERROR, f"errors in lane {lanes}", bad=True)

    def _presence(self, t: float, *, present: bool) -> LinkEvent:
        kind = LinkEventKind.BACK if present else LinkEventKind.GONE
        return self._event(t, kind, f"the component is {'there again' if present else 'gone'}", bad=not present)

    def _state_change(self, t: float, last: Reading, now: Reading) -> LinkEvent:
        was, state = LinkState(last.speed_gts, last.width), LinkState(now.speed_gts, now.width)
        if now.speed_gts is None or now.width is None:
            return self._event(t, LinkEventKind.LINK_DOWN, f"the link went down (was {was})", bad=True)
        if last.speed_gts is None or last.width is None:
            return self._event(t, LinkEventKind.LINK_UP, f"the link is up, at {state}")
        return self._event(t, LinkEventKind.STATE, f"went from {was} to {state}", bad=now.width < last.width)

    def _event(self, t: float, kind: LinkEventKind, sentence: str, *, bad: bool = False) -> LinkEvent:
        return LinkEvent(t=t, place_id=self._place_id, kind=kind, sentence=sentence, bad=bad)

    def _counted(self, t: float, counters: Counters) -> Iterator[CountedErrors]:
        """The growth of each counter; where one went down all of its function began anew, and no others."""
        before, self._counts = self._counts, counters
        anew = {key.function for key, count in before.items() if counters.get(key, 0) < count}
        for key, count in counters.items():
            growth = count if key.function in anew else count - before.get(key, 0)
            if growth > 0:
                end, function, severity, error = key
                yield CountedErrors(
                    t=t, place_id=self._place_id, end=end, function=function, severity=severity, error=error,
                    count=growth,
                )  # fmt: skip
