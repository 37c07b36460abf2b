"""The live view of links, redrawn in place; plain lines where it is no terminal."""

import time
from collections import deque
from collections.abc import Sequence
from typing import Self

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.foreign_text import made_plain
from probe.observe.watching import Watch, WatchedEvent, WatchedLink

_KEPT = 12


def live_view(
    watched: Watch, links: Sequence[LinkDocument], interval: float, until: float | None, screen: Console
) -> None:
    """Draw until the time is over or somebody ends it."""
    latest: deque[WatchedEvent] = deque(maxlen=_KEPT)
    titles = {link.place_id: title(link) for link in links}
    with Live(console=screen, auto_refresh=False, transient=False) if screen.is_terminal else _Lines(screen) as live:
        while until is None or watched.clock.now() < until:
            rows, events = watched.step()
            events = made_plain(events)
            latest.extend(events)
            if isinstance(live, Live):
                live.update(Group(_table(rows, titles), *map(_line, latest)), refresh=True)
            else:
                live.take(events)
            watched.clock.wait(interval)


class _Lines:
    def __init__(self, screen: Console) -> None:
        self._screen = screen

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def take(self, events: Sequence[WatchedEvent]) -> None:
        for event in events:
            self._screen.print(_line(event), soft_wrap=True)


def _line(event: WatchedEvent) -> Text:
    moment = time.strftime("%H:%M:%S", time.localtime(event.time))
    return Text.assemble(f"{moment}  ", (event.address or "platform", "bold"), f"  {event.sentence}")


def _table(rows: Sequence[WatchedLink], titles: dict[str, str]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for name in ("place", "runs at", "errors since", "heat"):
        table.add_column(name, no_wrap=True, overflow="ellipsis")
    for row in rows:
        state = str(row.state) if row.present else "gone"
        heat = "" if row.temperature_c is None else f"{row.temperature_c:.0f} C"
        table.add_row(titles[row.place_id], state, str(row.errors), heat)
    return table
