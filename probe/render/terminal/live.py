"""A run as it goes on: a table redrawn in place that fits its terminal, the worst first, the last events in sight.

Where it is no terminal: a line an event, and one each ten minutes.
May live here: the layout, for whatever is watched. May not: what a row or an event says.
"""

import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from time import monotonic

import msgspec
from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.live import Live
from rich.text import Text

from probe.counted import counted
from probe.foreign_text import made_plain
from probe.observe.standing import Standing
from probe.render import styles
from probe.render.units import countdown

TELL_EVERY_S = 600.0
_DRAW_EVERY_S = 1.0
_KEPT = 100
_LEAST_EVENTS = 3
_ROOM = 4
"""Lines that are always there: the head, the names of the columns, one between, the head of the events."""


class Column(msgspec.Struct, frozen=True):
    """A column of so many letters, shown where the terminal is at least so wide; `wide` takes what is left."""

    name: str
    letters: int
    from_width: int = 0
    wide: bool = False


class Row(msgspec.Struct, frozen=True):
    """One link: how it stands, and a text for each column."""

    standing: Standing
    cells: tuple[str, ...]


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """One event; `clock` is seconds since the epoch. One of errors has their count, and `words` say of what."""

    clock: float
    place: str
    words: str
    count: int | None = None
    bad: bool = False

    def __str__(self) -> str:
        """As a line of a log."""
        count = "" if self.count is None else f"{self.count} "
        return f"{moment(self.clock)}  {self.place}  {count}{self.words}"


class Shown(msgspec.Struct, frozen=True, kw_only=True):
    """All that there is to show now: how far the run is, its links in their own order, and what happened anew."""

    head: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    happened: tuple[Line, ...] = ()


Show = Callable[[Shown], None]


@contextmanager
def showing(screen: Console, *, outlived: bool = False) -> Iterator[Show]:
    """Something to show a run with, again and again.

    It raises OSError where nobody can be shown anything any more; for a run that is `outlived` it is silent then.
    """
    tell = _until_it_fails if outlived else _as_it_is
    if not screen.is_terminal or screen.is_dumb_terminal:
        yield tell(_Lines(screen).take)
        return
    live = Live(console=screen, auto_refresh=False, transient=True, redirect_stdout=False, redirect_stderr=False)
    shown = tell(_Screen(screen, live).take)
    try:
        yield shown
    finally:
        with suppress(OSError, ValueError):  # the latter for a stream that was closed
            live.stop()


def _as_it_is(show: Show) -> Show:
    return show


def _until_it_fails(show: Show) -> Show:
    """The same, that does nothing any more once it could not write."""
    failed = False

    def shown(what: Shown) -> None:
        nonlocal failed
        if not failed:
            try:
                show(what)
            except (OSError, ValueError):
                failed = True

    return shown


class _Screen:
    """Redraws in place, once a second at the most."""

    def __init__(self, screen: Console, live: Live) -> None:
        self._screen = screen
        self._live = live
        self._latest: deque[Line] = deque(maxlen=_KEPT)
        self._next = 0.0

    def take(self, shown: Shown) -> None:
        self._latest = deque(folded([*self._latest, *made_plain(shown.happened)]), maxlen=_KEPT)
        if monotonic() < self._next:
            return
        self._next = monotonic() + _DRAW_EVERY_S
        self._live.start()
        width, height = self._screen.size
        self._live.update(frame(shown, tuple(self._latest), width, height - 1), refresh=True)


class _Lines:
    """Plain lines. An error that was told is not told again before the next full line, which has its count."""

    def __init__(self, screen: Console) -> None:
        self._screen = screen
        self._next = monotonic() + TELL_EVERY_S
        self._told: set[tuple[str, str]] = set()
        self._more: list[Line] = []

    def take(self, shown: Shown) -> None:
        for line in made_plain(shown.happened):
            key = (line.place, line.words)
            if line.count is not None and key in self._told:
                self._more.append(line)
                continue
            self._told.add(key)
            self._print(str(line))
        if monotonic() < self._next:
            return
        self._next += TELL_EVERY_S
        for line in folded(self._more):
            self._print(f"{moment(line.clock)}  {line.place}  {line.count} more {line.words}")
        self._print(f"{moment(time.time())}  {shown.head}: {summary(row.standing for row in shown.rows)}")
        self._told.clear()
        self._more.clear()

    def _print(self, text: str) -> None:
        self._screen.print(Text(text), soft_wrap=True)


def folded(lines: Iterable[Line]) -> list[Line]:
    """The same with errors of one kind at one place told once, with the sum and the time of the last."""
    found: dict[object, Line] = {}
    for line in lines:
        key: object = object() if line.count is None else (line.place, line.words)
        before = found.pop(key, None)
        count = line.count if before is None else (line.count or 0) + (before.count or 0)
        found[key] = msgspec.structs.replace(line, count=count)
    return list(found.values())


def frame(shown: Shown, latest: Sequence[Line], width: int, height: int) -> Text:
    """A picture of exactly this many columns and at most this many lines."""
    rows = sorted(shown.rows, key=lambda row: row.standing.rank)
    room = max(height - _ROOM, 2)
    events = min(max(len(latest), 1), max(_LEAST_EVENTS, room // 3))
    fitting = len(rows) if len(rows) <= room - events else max(room - events - 1, 0)
    left = room - fitting - (fitting < len(rows))
    columns = _fitting(shown.columns, width)
    lines = [Text(shown.head, style="bold"), _columns(shown.columns, columns)]
    lines += [_row(row, columns) for row in rows[:fitting]]
    if fitting < len(rows):
        lines.append(Text(_hidden(rows[fitting:]), style="dim"))
    lines += [Text(""), Text("last events" if latest else "nothing has happened so far", style="dim")]
    lines += [Text(str(line), style="bold" if line.bad else "") for line in latest[-left:]]
    for line in lines:
        line.truncate(width, overflow="ellipsis")
    return Text("\n", no_wrap=True, end="").join(lines[:height])


def _hidden(rows: Sequence[Row]) -> str:
    if all(row.standing.is_calm for row in rows):
        return f"and {len(rows)} more, {Standing.CALM}"
    return f"and {len(rows)} more: {summary(row.standing for row in rows)}"


def summary(standings: Iterable[Standing]) -> str:
    """How many links stand how, the worst first."""
    times = Counter(standings)
    return ", ".join(f"{times[word]} {word}" for word in Standing if times[word])


def head(links: int, gone_s: float, left_s: float | None, rest: str) -> str:
    """How far it is: the time that is over, the time that is left and the clock time of the end, else `rest`."""
    left = rest if left_s is None else f"{countdown(left_s)} left, ends {moment(time.time() + left_s)}"
    return f"{counted(links, 'link')}, {countdown(gone_s)} gone, {left}"


def moment(clock: float) -> str:
    """The time of the day."""
    return time.strftime("%H:%M:%S", time.localtime(clock))


def _fitting(columns: Sequence[Column], width: int) -> list[tuple[int, int]]:
    """The columns that are shown, by number, with the letters that each takes."""
    shown = [(number, column) for number, column in enumerate(columns) if width >= column.from_width]
    fixed = sum(column.letters + 1 for _, column in shown)
    spare = max(width - fixed, 0)
    return [(number, column.letters + (spare if column.wide else 0)) for number, column in shown]


def _columns(columns: Sequence[Column], shown: Sequence[tuple[int, int]]) -> Text:
    return Text(" ".join(_sized(columns[number].name, letters) for number, letters in shown), style="dim")


def _row(row: Row, shown: Sequence[tuple[int, int]]) -> Text:
    text = Text(" ".join(_sized(row.cells[number], letters) for number, letters in shown))
    text.stylize(styles.STANDINGS[row.standing], 0, shown[0][1])
    return text


def _sized(text: str, letters: int) -> str:
    if cell_len(text) <= letters:
        return set_cell_size(text, letters)
    return set_cell_size(text, letters - 1) + "…"
