"""What lane margining found on a terminal: result first, then each receiver's eyes side by side, and their figures."""

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.active.margining.document import LaneMargin, MarginDocument, MarginedLink, ReceiverMargin, Side
from probe.links.state import LinkState
from probe.render.eyes import Eye, eyes
from probe.render.terminal.active import STYLES, head

_HALF_WIDTH, _HALF_HEIGHT = 4, 2
_CELL = 2 * _HALF_WIDTH + 3
_INSIDE, _CENTRE, _OUTSIDE = "#", "+", "."
_WAYS = (("left", "both_sides"), ("right", ""), ("up", "both_levels"), ("down", ""))


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
    a_row = max(1, (screen.width - 4) // _CELL)
    for start in range(0, len(drawn), a_row):
        _side_by_side(drawn[start : start + a_row], odd, screen)
    _figures(receiver, odd, screen)


def _side_by_side(row: Sequence[Eye], odd: set[int], screen: Console) -> None:
    names = Text("    ")
    for eye in row:
        told = f"{eye.lane}, odd" if eye.lane in odd else f"lane {eye.lane}"
        names.append(told.ljust(_CELL), style="bold red" if eye.lane in odd else "dim")
    screen.print(names, soft_wrap=True)
    for y in range(_HALF_HEIGHT, -_HALF_HEIGHT - 1, -1):
        line = Text("    ")
        for eye in row:
            line.append(diamond_row(eye, y).ljust(_CELL), style="bold red" if eye.lane in odd else "")
        screen.print(line, soft_wrap=True)


def diamond_row(eye: Eye, y: int) -> str:
    """One line of a lane's eye, `y` lines above its middle: inside is what every step reached."""
    return "".join(_mark(eye, x, y) for x in range(-_HALF_WIDTH, _HALF_WIDTH + 1))


def _mark(eye: Eye, x: int, y: int) -> str:
    if x == y == 0:
        return _CENTRE
    across = _part(x, (eye.left if x < 0 else eye.right), _HALF_WIDTH)
    along = _part(y, (eye.down if y < 0 else eye.up), _HALF_HEIGHT)
    return _INSIDE if across + along <= 1.0 else _OUTSIDE


def _part(at: int, share: float | None, half: int) -> float:
    """How far out a point is one way, as a part of the reach; more than all of it where nothing was measured."""
    if at == 0:
        return 0.0
    reach = round((share or 0.0) * half)
    return abs(at) / reach if reach else 2.0


def _figures(receiver: ReceiverMargin, odd: set[int], screen: Console) -> None:
    table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
    for name in ("lane", "left", "right", "up", "down", "what else"):
        table.add_column(name, no_wrap=name != "what else", overflow="fold")
    for lane in receiver.lanes:
        said = "; ".join(filter(None, ("odd" if lane.lane in odd else "", lane.unmeasured or "", *lane.notes)))
        table.add_row(str(lane.lane), *_told(lane), said)
    screen.print(Padding(table, (0, 0, 0, 4)))


def _told(lane: LaneMargin) -> Iterator[str]:
    """Each way; a way that is the same both ways stands once."""
    for own, shared in _WAYS:
        side, both = lane.side(own), lane.side(shared) if shared else None
        yield side_words(side) if side is not None else f"{side_words(both)} both" if both is not None else ""


def side_words(side: Side | None) -> str:
    """Steps of one way, with what they stand for."""
    if side is None:
        return ""
    least = ">=" if side.at_least else ""
    amount = "" if side.ui is None else f" {side.ui:.3f} UI"
    amount += "" if side.volts is None else f" {side.volts * 1e3:.0f} mV"
    return f"{least}{side.steps}{amount}"
