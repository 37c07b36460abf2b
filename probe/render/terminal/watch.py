"""The live view of links that are only watched."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from rich.console import Console

from probe.audit.document import LinkDocument
from probe.audit.names import described, short_titles
from probe.foreign_text import made_plain
from probe.observe.standing import LinkStanding
from probe.observe.watching import Watch, WatchedEvent
from probe.render.terminal.live import Column, Line, Row, Show, Shown, head, showing

_COLUMNS = (
    Column("now", 13),
    Column("place", 14, wide=True),
    Column("component", 36, from_width=110),
    Column("runs at", 13),
    Column("errors", 7),
    Column("temp.", 5),
)
_PLATFORM = "platform"


class Watched:
    """Draws what a watch sees, step by step."""

    def __init__(self, watch: Watch, links: Sequence[LinkDocument], until_s: float | None, show: Show) -> None:
        self._watch = watch
        self._began = watch.clock.now()
        self._until = until_s
        self._show = show
        plainly = made_plain(links)
        self._titles = short_titles(plainly)
        self._components = {link.place_id: described(link) or "" for link in plainly}
        self._places = {
            address: self._titles[link.place_id]
            for link in plainly
            for address in (link.downstream_port, *(link.component.functions if link.component else ()))
            if address is not None
        }

    def take(self, events: Sequence[WatchedEvent]) -> None:
        """Draw the links as they were read last, with what happened since."""
        now = self._watch.clock.now()
        left = None if self._until is None else max(self._until - now, 0.0)
        standings = self._watch.standings
        self._show(
            Shown(
                head=head(len(standings), now - self._began, left, "until Ctrl-C"),
                columns=_COLUMNS,
                rows=tuple(self._row(place_id, link) for place_id, link in standings.items()),
                happened=tuple(map(self._line, events)),
            )
        )

    def _row(self, place_id: str, link: LinkStanding) -> Row:
        word = link.now()
        heat = "" if link.temperature_c is None else f"{link.temperature_c:.0f} C"
        errors = str(link.correctable + link.uncorrectable)
        return Row(word, (word, self._titles[place_id], self._components[place_id], str(link.state), errors, heat))

    def _line(self, event: WatchedEvent) -> Line:
        place = self._places.get(event.address or "", event.address or _PLATFORM)
        words = event.sentence if event.counted is None else event.counted
        return Line(clock=event.time, place=place, words=words, count=event.count, bad=event.bad)


@contextmanager
def watched(watch: Watch, links: Sequence[LinkDocument], until_s: float | None, screen: Console) -> Iterator[Watched]:
    """Something to draw a watch with; `until_s` is when it ends by its clock, None where a person ends it."""
    with showing(screen) as show:
        yield Watched(watch, links, until_s, show)
