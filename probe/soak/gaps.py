"""Time without samples: the host was suspended, the program was stopped, a read took long. Told as what it is.

The calendar is no measure of time here, but where it was set that is told: the page names moments by it.
"""

from collections.abc import Iterator

from probe.observe.clock import Clock
from probe.observe.events import LinkEvent, LinkEventKind
from probe.soak.journal import Gap

_LATE_S = 2.0
"""A sample later than this, and than two intervals, leaves a gap: our choice, above what a busy host does."""
_SET_S = 1.0
"""A calendar that leaps by more was set; what keeps it right moves it by less."""


class Gaps:
    """Looks at the clocks with each sample."""

    def __init__(self, clock: Clock, interval_s: float) -> None:
        self._clock = clock
        self._interval_s = interval_s
        self._last: tuple[float, float, float] | None = None

    def take(self, t: float) -> Iterator[Gap | LinkEvent]:
        """What the clocks say between the sample before and this one, at `t`."""
        now = (t, self._clock.suspended_s(), self._clock.calendar_ahead_s())
        last, self._last = self._last, now
        if last is None:
            return
        if t - last[0] - self._interval_s > max(_LATE_S, 2 * self._interval_s):
            yield Gap(t=t, since=last[0], why=_why(t - last[0], now[1] - last[1]))
        leap = now[2] - last[2]
        if abs(leap) > _SET_S:
            way = "forward" if leap > 0 else "back"
            sentence = f"the calendar was set {way} by {abs(leap):.0f} s; moments here count from the start"
            yield LinkEvent(t=t, place_id="", kind=LinkEventKind.CALENDAR, sentence=sentence)


def _why(seconds: float, suspended_s: float) -> str:
    if suspended_s > seconds / 2:
        return f"the host was suspended for {suspended_s:.0f} s"
    return f"the program was stopped or held up for {seconds:.0f} s"
