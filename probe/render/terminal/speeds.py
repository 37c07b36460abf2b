"""What came of a run through the speeds on a terminal, the result first."""

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.active.documents import SpeedsDocument, SpeedStep
from probe.render.terminal.active import head, result
from probe.render.units import data_rate, duration


def render(document: SpeedsDocument, screen: Console) -> None:
    """Draw what came of a run through the speeds."""
    head(document, screen)
    for link in document.links:
        result(link, screen)
        screen.print(Padding(Text(f"by {link.means}", style="dim"), (0, 0, 0, 2)))
        table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
        for name in ("speed", "supported", "trained", "carries", "clean", "ran at", "for"):
            table.add_column(name, no_wrap=True)
        for step in link.speeds:
            table.add_row(*_step(step))
        screen.print(Padding(table, (0, 0, 0, 2)))


def _step(step: SpeedStep) -> tuple[str, ...]:
    carried = _word(step.carries)
    if step.bytes_s:
        carried = f"{carried}, {data_rate(step.bytes_s)}"
    state = str(step.state) if step.attempts else ""
    time = duration(step.seconds) if step.seconds else ""
    told = (_word(step.trained), carried, _word(step.clean)) if step.supported else ("", "", "")
    words = (_word(step.supported), *told)
    return (f"{step.speed_gts:g} GT/s", *words, state, time)


def _word(value: bool | None) -> str:  # noqa: FBT001 - a cell of the table
    return "not known" if value is None else "yes" if value else "no"
