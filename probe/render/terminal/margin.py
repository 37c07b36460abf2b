"""What lane margining found on a terminal: result first, then each receiver's eyes side by side, and their figures."""

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.active.margining.document import SIDES, MarginDocument, MarginedLink, ReceiverMargin, Side
from probe.active.margining.wording import remarks, worded
from probe.links.state import LinkState
from probe.render.eyes import Eye, bits_say, eyes, scale
from probe.render.terminal.active import STYLES, head
from probe.render.terminal.eye import BLOCKS, COLUMNS, PLAIN, diamond
from probe.render.units import even_runs

_CELL = COLUMNS + 1


def render(document: MarginDocument, screen: Console) -> None:
    """Draw what was found."""
    head(document, screen)
    for link in document.links:
        _link(link, screen)


def _link(link: MarginedLink, screen: Console) -> None:
    screen.print()
    state = LinkState(link.speed_gts, link.width)
    screen.print(
        Text.assemble((link.title, "bold"), "  ", (link.result, STYLES[link.result]), f"  measured at {state}")
    )
    for reason in link.reasons:
        screen.print(Padding(Text(reason), (0, 0, 0, 2)))
    odd = {(item.receiver, item.lane) for item in link.odd_lanes}
    for receiver in link.receivers:
        _receiver(receiver, {lane for number, lane in odd if number == receiver.number}, screen)
    for note in link.notes:
        screen.print(Padding(Text(note, style="dim"), (0, 0, 0, 2)))


def _receiver(receiver: ReceiverMargin, odd: set[int], screen: Console) -> None:
    screen.print()
    screen.print(Padding(Text(f"receiver {receiver.number}, {receiver.name}"), (0, 0, 0, 2)))
    if receiver.unmeasured is not None:
        screen.print(Padding(Text(f"not measured: {receiver.unmeasured}"), (0, 0, 0, 4)))
        return
    drawn = [eye for eye in eyes(receiver) if eye.measured]
    if drawn:
        screen.print(Padding(Text(scale(receiver).sentence(), style="dim"), (0, 0, 0, 4)))
    for sentence in filter(None, (bits_say(receiver),)):
        screen.print(Padding(Text(sentence, style="dim"), (0, 0, 0, 4)))
    for row in _rows(drawn, max(1, (screen.width - 4) // _CELL)):
        _side_by_side(row, odd, screen)
    _figures(receiver, odd, screen)


def _rows(drawn: Sequence[Eye], most: int) -> Iterator[Sequence[Eye]]:
    """Even rows: 16 lanes where 11 have room are two rows of 8."""
    yield from (drawn[run.start : run.stop] for run in even_runs(len(drawn), most))


def _side_by_side(row: Sequence[Eye], odd: set[int], screen: Console) -> None:
    characters = BLOCKS if screen.encoding.lower().startswith("utf") else PLAIN
    styles = ["bold red" if eye.lane in odd else "" for eye in row]
    drawings = [diamond(eye, characters) for eye in row]
    names = [f"{eye.lane}, odd" if eye.lane in odd else f"lane {eye.lane}" for eye in row]
    for told in (names, *zip(*drawings, strict=True)):
        line = Text("    ", no_wrap=True)
        for text, style in zip(told, styles, strict=True):
            line.append(text.center(COLUMNS).ljust(_CELL), style=style)
        line.rstrip()
        screen.print(line, soft_wrap=True)


def _figures(receiver: ReceiverMargin, odd: set[int], screen: Console) -> None:
    names = [name for name in SIDES if any(lane.side(name) is not None for lane in receiver.lanes)]
    if names:
        table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
        table.add_column("lane", no_wrap=True)
        for name in names:
            table.add_column(worded(name), no_wrap=True)
        for lane in receiver.lanes:
            figures = [side_words(lane.side(name)) for name in names]
            number = f"{lane.lane} odd" if lane.lane in odd else str(lane.lane)
            table.add_row(number, *figures, style="bold red" if lane.lane in odd else "")
        screen.print(Padding(table, (0, 0, 0, 4)))
    for sentence in remarks(receiver.lanes):
        screen.print(Padding(Text(sentence), (0, 0, 0, 4)))


def side_words(side: Side | None) -> str:
    """Steps of one way, with what they stand for."""
    if side is None:
        return "-"
    least = ">= " if side.at_least else ""
    amounts = [] if side.ui is None else [f"{side.ui:.3f} UI"]
    amounts += [] if side.volts is None else [f"{side.volts * 1e3:.0f} mV"]
    return f"{least}{side.steps}{f' ({amounts[0]})' if amounts else ''}"
