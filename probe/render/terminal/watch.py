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
from probe.soak.watching import Happening, Row, Watch

_KEPT = 12


def live_view(
    watched: Watch, links: Sequence[LinkDocument], interval: float, until: float | None, screen: Console
) -> None:
    """Draw until the time is over or somebody ends it."""
    latest: deque[Happening] = deque(maxlen=_KEPT)
    titles = {link.place_id: title(link) for link in links}
    with Live(console=screen, auto_refresh=False, transient=False) if screen.is_terminal else _Lines(screen) as live:
        while until is None or time.monotonic() < until:
            rows, happenings = watched.step()
            latest.extend(happenings)
            if isinstance(live, Live):
                live.update(Group(_table(rows, titles), *map(_line, latest)), refresh=True)
            else:
                live.take(happenings)
            time.sleep(interval)


class _Lines:
    def __init__(self, screen: Console) -> None:
        self._screen = screen

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def take(self, happenings: Sequence[Happening]) -> None:
        for happening in happenings:
            self._screen.print(_line(happening), soft_wrap=True)


def _line(happening: Happening) -> Text:
    moment = time.strftime("%H:%M:%S", time.localtime(happening.time))
    return Text.assemble(f"{moment}  ", (happening.address or "platform", "bold"), f"  {happening.sentence}")


def _table(rows: Sequence[Row], titles: dict[str, str]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for name in ("place", "runs at", "errors since", "heat"):
        table.add_column(name, no_wrap=True, overflow="ellipsis")
    for row in rows:
        state = str(row.state) if row.present else "gone"
        heat = "" if row.temperature_c is None else f"{row.temperature_c:.0f} C"
        table.add_row(titles[row.place], state, str(row.errors), heat)
    return table
