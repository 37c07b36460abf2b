"""What the samples of one link come to, the same whether they are fine or thinned. Pure."""

from collections.abc import Iterator, Sequence

from probe.links.state import LinkState
from probe.soak.journal import LinkSample, Spread, StateTime
from probe.soak.under_load import NO_LOAD, Load, most_moved

_FIELDS = LinkSample.__struct_fields__
_SPEED, _WIDTH, _HEAT = (_FIELDS.index(name) for name in ("speed_gts", "width", "temperature_c"))
_MOVED = (_FIELDS.index("to_host_bytes_s"), _FIELDS.index("from_host_bytes_s"))
_State = tuple[float | None, int | None]


class LinkTally:
    """The time in each state, and under load in each; the most that moved, the hottest, the last sample."""

    def __init__(self) -> None:
        self._times: dict[_State, tuple[float, float, float]] = {}
        self._thinned_once: list[tuple[LinkState, LinkState]] = []
        self.several_s = 0.0
        self.samples = 0
        self.moved: float | None = None
        self.hottest_c: float | None = None
        self.last: LinkSample | None = None
        self.last_load = NO_LOAD

    def sampled(self, sample: LinkSample, seconds: float, load: Load, *, counts: bool) -> None:
        """Take in a sample that stands for so long; whether time under load counts yet."""
        self.samples += 1
        under = (seconds if counts and load.seen else 0.0, seconds if counts and load.claimed else 0.0)
        self._add(StateTime(sample.speed_gts, sample.width, seconds, *under))
        self._more(most_moved(sample), sample.temperature_c)
        self.last, self.last_load = sample, load

    def thinned(self, spreads: Sequence[Spread | None], times: Sequence[StateTime], seconds: float) -> None:
        """Take in many samples as one. Those that were thinned before times were kept say less."""
        self.samples += 1
        for item in times:
            self._add(item)
        if not times:
            self._of_spreads(spreads[_SPEED], spreads[_WIDTH], seconds)
        moved = max((spread.most for at in _MOVED if (spread := spreads[at]) is not None), default=None)
        heat = spreads[_HEAT]
        self._more(moved, None if heat is None else heat.most)

    def _of_spreads(self, speed: Spread | None, width: Spread | None, seconds: float) -> None:
        if speed is None or width is None:
            self._add(StateTime(None, None, seconds, 0.0, 0.0))
        elif speed.least == speed.most and width.least == width.most:
            self._add(StateTime(speed.most, int(width.most), seconds, 0.0, 0.0))
        else:
            self.several_s += seconds
            worst, best = (
                LinkState(speed.least, int(width.least)),
                LinkState(speed.most, int(width.most)),
            )
            self._thinned_once.append((worst, best))

    def _add(self, item: StateTime) -> None:
        state = (item.speed_gts, item.width)
        before = self._times.get(state, (0.0, 0.0, 0.0))
        own = (item.seconds, item.loaded_s, item.claimed_s)
        self._times[state] = (before[0] + own[0], before[1] + own[1], before[2] + own[2])

    def _more(self, moved: float | None, heat: float | None) -> None:
        if moved is not None:
            self.moved = moved if self.moved is None else max(self.moved, moved)
        if heat is not None:
            self.hottest_c = heat if self.hottest_c is None else max(self.hottest_c, heat)

    def times(self) -> Iterator[StateTime]:
        """The time in each state that was seen, in the order in which they came."""
        for (speed, width), times in self._times.items():
            yield StateTime(speed, width, *(round(seconds, 6) for seconds in times))

    @property
    def best(self) -> LinkState:
        """The state in which most can go over the link, of all that were seen; nothing where none was read."""
        known = [*self._known(), *(best for _, best in self._thinned_once)]
        return max(known, key=_carries, default=LinkState())

    @property
    def worst(self) -> LinkState:
        """The state in which least can."""
        known = [*self._known(), *(worst for worst, _ in self._thinned_once)]
        return min(known, key=_carries, default=LinkState())

    def _known(self) -> list[LinkState]:
        return [LinkState(speed, width) for speed, width in self._times if None not in {speed, width}]


def _carries(state: LinkState) -> tuple[float, float]:
    return (state.speed_gts or 0.0) * (state.width or 0), state.speed_gts or 0.0
