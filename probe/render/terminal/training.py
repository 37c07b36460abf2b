"""What came of trainings on a terminal, the result first."""

from collections.abc import Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.active.documents import Attempt, Kind, TrainingDocument
from probe.links.state import LinkState
from probe.render.terminal.active import head, result, time_of

_MOST_ROWS = 40


def render(document: TrainingDocument, screen: Console) -> None:
    """Draw what came of trainings."""
    head(document, screen)
    for link in document.links:
        result(link, screen)
        screen.print(Padding(Text(f"by {link.means}; expected {link.expected}", style="dim"), (0, 0, 0, 2)))
        _times(link.attempts, screen)
        unusual = [item for item in link.attempts if item.kind is not Kind.GOOD or item.errors or item.kernel]
        _attempts(unusual, screen)


def _times(attempts: Sequence[Attempt], screen: Console) -> None:
    known = sorted(attempt.ms for attempt in attempts if attempt.ms is not None)
    if known:
        told = f"{known[0]:.3g} to {known[-1]:.3g} ms, median {known[len(known) // 2]:.3g} ms, over {len(known)}"
        screen.print(Padding(Text(told), (0, 0, 0, 2)))


def _attempts(attempts: Sequence[Attempt], screen: Console) -> None:
    if not attempts:
        return
    table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
    for name in ("training", "came of it", "state", "time", "what else"):
        table.add_column(name, no_wrap=name not in {"what else", "came of it"}, overflow="fold")
    for attempt in attempts[:_MOST_ROWS]:
        beside = [f"{item.count} {item.error} ({item.end})" for item in attempt.errors or ()]
        beside += [f"lane {', '.join(map(str, lanes))} in error ({end})" for end, lanes in attempt.lanes.items()]
        beside += [] if attempt.problem is None else [attempt.problem]
        beside += attempt.kernel
        state = str(LinkState(attempt.speed_gts, attempt.width))
        table.add_row(str(attempt.number), attempt.kind, state, time_of(attempt), "; ".join(beside))
    screen.print(Padding(table, (0, 0, 0, 2)))
    if len(attempts) > _MOST_ROWS:
        screen.print(Padding(Text(f"and {len(attempts) - _MOST_ROWS} more; --json has them all"), (0, 0, 0, 2)))
