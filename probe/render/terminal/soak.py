"""A soak on a terminal while it runs."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console

from probe.audit.names import short_titles
from probe.foreign_text import made_plain
from probe.render.terminal.live import Column, Line, Row, Show, Shown, head, showing
from probe.render.units import measured_rate
from probe.soak.progress import Happening, LinkProgress, Progress
from probe.soak.setup import Setup

_COLUMNS = (
    Column("now", 13),
    Column("place", 14, wide=True),
    Column("runs at", 13),
    Column("carries", 11),
    Column("share", 6),
    Column("errors", 7),
    Column("heat", 5),
)
_RUN = "this run"


class _Drawn:
    """Draws the progress of one soak."""

    def __init__(self, setup: Setup, show: Show) -> None:
        self._titles = short_titles(made_plain(setup.links))
        self._show = show

    def take(self, state: Progress) -> None:
        left = None if state.planned_s is None else max(state.planned_s - state.t, 0.0)
        self._show(
            Shown(
                head=head(len(state.links), state.t, left, "until the load ends"),
                columns=_COLUMNS,
                rows=tuple(self._row(self._titles[place_id], link, state.t) for place_id, link in state.links.items()),
                happened=tuple(self._line(item, state.t) for item in state.happened),
            )
        )

    @staticmethod
    def _row(title: str, link: LinkProgress, t: float) -> Row:
        word, seen, carried = link.now(t), link.standing, link.carried(t)
        rate = "" if carried is None else measured_rate(carried.bytes_s)
        share = "" if carried is None or carried.share is None else f"{carried.share:.0%}"
        errors = str(seen.correctable + seen.uncorrectable)
        heat = "" if seen.temperature_c is None else f"{seen.temperature_c:.0f} C"
        return Row(word, (word, title, str(seen.state), rate, share, errors, heat))

    def _line(self, item: Happening, t: float) -> Line:
        place = _RUN if item.place_id is None else self._titles.get(item.place_id, item.place_id)
        clock = time.time() - (t - item.t)
        return Line(clock=clock, place=place, words=item.words, count=item.count, bad=item.bad)


@contextmanager
def progress(setup: Setup, screen: Console) -> Iterator[Callable[[Progress], None]]:
    """Something to call with the progress after each sample. It fails in silence: a soak outlives its terminal."""
    with showing(screen, outlived=True) as show:
        yield _Drawn(setup, show).take
