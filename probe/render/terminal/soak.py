"""A soak on a terminal while it runs: what the time can show, and the progress (plain lines in a pipe)."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from probe.audit.names import title
from probe.foreign_text import plain
from probe.links.state import LinkState
from probe.loads.placement import placement
from probe.render.units import data_rate, duration
from probe.soak.plan import Shows
from probe.soak.progress import Progress
from probe.soak.setup import Setup

_PLAIN_EVERY_S = 10.0


def before(shows: Sequence[Shows], setup: Setup, caution: str, screen: Console) -> None:
    """Draw what the chosen time can show, and what is about to run."""
    time = "until the load ends" if setup.planned_s is None else duration(setup.planned_s)
    screen.print(f"{len(setup.links)} links for {time}, a sample every {setup.interval_s:g} s")
    if setup.planned_s:
        for item in shows:
            ratio = "not in Flit mode" if item.ratio is None else f"shows a bit error ratio below {item.ratio:.1e}"
            screen.print(f"  {plain(item.title)}: without an error this {ratio} (95 %, one direction)")
        screen.print("Minutes are enough for the ratio; hours buy heat and rare trainings.")
    for load, target in setup.loads:
        screen.print(f"load {load.name} on {plain(target.label)}: verifies {load.verifies}; writes {load.writes}")
        screen.print(f"  {plain(placement(target))}")
        if target.note is not None:
            screen.print(f"  {plain(target.note)}")
    screen.print(Text(caution, style="italic"))


@contextmanager
def progress(setup: Setup, screen: Console) -> Iterator[Callable[[Progress], None]]:
    """Something to call with the progress after each sample."""
    if screen.is_terminal:
        with Live(console=screen, refresh_per_second=4, transient=True) as live:
            yield lambda state: live.update(_table(setup, state))
        return
    printer = _Lines(setup, screen)
    yield printer.take


class _Lines:
    """Plain lines: an event when it happens, the state now and then."""

    def __init__(self, setup: Setup, screen: Console) -> None:
        self._setup = setup
        self._screen = screen
        self._told = 0
        self._next = 0.0

    def take(self, state: Progress) -> None:
        """Print what is new."""
        new = min(state.events - self._told, len(state.latest))
        for event in list(state.latest)[len(state.latest) - new :]:
            self._screen.print(f"{event.t:8.1f} s  {plain(event.sentence)}", soft_wrap=True)
        self._told = state.events
        if state.t < self._next:
            return
        self._next = state.t + _PLAIN_EVERY_S
        errors = sum(state.errors.values())
        rates = ", ".join(
            f"{load} {direction} {data_rate(rate)}" for (_, load, direction), rate in sorted(state.rates.items())
        )
        self._screen.print(f"{state.t:8.1f} s  {errors} errors{f', {rates}' if rates else ''}", soft_wrap=True)


def _table(setup: Setup, state: Progress) -> Table:
    left = "" if not state.planned_s else f", {duration(max(state.planned_s - state.t, 0.0))} left"
    table = Table(
        box=None,
        title=f"{duration(state.t)} gone{left}",
        title_justify="left",
        header_style="dim",
        padding=(0, 1, 0, 0),
    )
    for name in ("place", "state", "measured", "share", "errors", "heat"):
        table.add_column(name, no_wrap=True, overflow="ellipsis")
    for link in setup.links:
        seen = state.links.get(link.place_id)
        if seen is None:
            continue
        rate, share = _measured(link.place_id, state, link.bandwidth.ceiling_bytes_s.to_host)
        table.add_row(
            plain(title(link)),
            str(LinkState(seen.speed_gts, seen.width)),
            rate,
            share,
            str(state.errors.get(link.place_id, 0)),
            "" if seen.temperature_c is None else f"{seen.temperature_c:.0f} C",
        )
    return table


def _measured(place_id: str, state: Progress, ceiling: int | None) -> tuple[str, str]:
    seen = state.links[place_id]
    own = [rate for (where, _, _), rate in state.rates.items() if where == place_id]
    rate = max(own, default=(seen.to_host_bytes_s or 0.0) + (seen.from_host_bytes_s or 0.0))
    if not rate:
        return "", ""
    return data_rate(rate), "" if not ceiling else f"{rate / ceiling:.0%}"
