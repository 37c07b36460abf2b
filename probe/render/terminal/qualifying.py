"""A qualification on a terminal while it goes on: each step as it begins, tests as they tell."""

from rich.console import Console
from rich.text import Text

from probe.active.documents import Attempt
from probe.active.target import Target
from probe.audit.names import title
from probe.foreign_text import plain
from probe.render.terminal.active_progress import Telling
from probe.render.terminal.live import summary
from probe.render.units import duration
from probe.soak.progress import Progress

_EVERY_S = 60.0


class Shown:
    """Somebody to tell, who prints a line for each."""

    def __init__(self, screen: Console) -> None:
        self._screen = screen
        self._tell = Telling(screen)
        self._next = 0.0

    def turn(self, name: str) -> None:
        """A step begins."""
        self._next = 0.0
        self._screen.print(Text(plain(name), style="bold"))

    def test(self, target: Target, news: Attempt | str) -> None:
        """An active test has news."""
        self._tell(target, news)

    def soak(self, state: Progress) -> None:
        """A soak has taken a sample."""
        for item in state.happened:
            place = "" if item.place_id is None else f"{title(state.links[item.place_id].standing.link)}  "
            count = "" if item.count is None else f"{item.count} "
            self._screen.print(Text(f"  {duration(state.t)}: {place}{count}{item.words}"))
        if state.t < self._next:
            return
        self._next = state.t + _EVERY_S
        standings = summary(link.now(state.t) for link in state.links.values())
        self._screen.print(Text(f"  {duration(state.t)}: {standings}"))
