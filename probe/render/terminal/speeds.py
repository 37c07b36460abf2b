"""What came of a run through the speeds on a terminal, the result first."""

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.active.documents import SpeedsDocument
from probe.render.terminal.active import head, result
from probe.render.trained import SPEED_COLUMNS, speed_row


def render(document: SpeedsDocument, screen: Console) -> None:
    """Draw what came of a run through the speeds."""
    head(document, screen)
    for link in document.links:
        result(link, screen)
        screen.print(Padding(Text(f"by {link.means}", style="dim"), (0, 0, 0, 2)))
        table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
        for name in SPEED_COLUMNS:
            table.add_column(name, no_wrap=True)
        for step in link.speeds:
            table.add_row(*speed_row(step))
        screen.print(Padding(table, (0, 0, 0, 2)))
