"""What came of trainings on a terminal, the result first."""

from collections.abc import Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.active.documents import Attempt, TrainingDocument
from probe.render.terminal.active import head, result
from probe.render.trained import COLUMNS, row, times, unusual

_MOST_ROWS = 40
_FOLDED = frozenset({"what else", "came of it"})


def render(document: TrainingDocument, screen: Console) -> None:
    """Draw what came of trainings."""
    head(document, screen)
    for link in document.links:
        result(link, screen)
        screen.print(Padding(Text(f"by {link.means}; expected {link.expected}", style="dim"), (0, 0, 0, 2)))
        told = times(link.attempts)
        if told is not None:
            screen.print(Padding(Text(told), (0, 0, 0, 2)))
        _attempts(unusual(link), screen)


def _attempts(attempts: Sequence[Attempt], screen: Console) -> None:
    if not attempts:
        return
    table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
    for name in COLUMNS:
        table.add_column(name, no_wrap=name not in _FOLDED, overflow="fold")
    for attempt in attempts[:_MOST_ROWS]:
        table.add_row(*row(attempt))
    screen.print(Padding(table, (0, 0, 0, 2)))
    if len(attempts) > _MOST_ROWS:
        screen.print(Padding(Text(f"and {len(attempts) - _MOST_ROWS} more; --json has them all"), (0, 0, 0, 2)))
