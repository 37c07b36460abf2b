"""The trainings of every place over boots, on a terminal."""

from rich.console import Console
from rich.table import Table

from probe.compare.history import History


def render(document: History, screen: Console) -> None:
    """Draw the trainings of every place."""
    screen.print(f"{document.snapshots} snapshots of {document.boots} boots\n")
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for name in ("place", "component", "trained to", "short", "errors"):
        table.add_column(name, overflow="fold", no_wrap=name == "short")
    for row in document.places:
        states = ", ".join(f"{state} in {count}" for state, count in row.states.items())
        short = f"in {row.short} of {row.trainings} trainings" if row.short else "never"
        errors = f"{row.correctable} correctable, {row.uncorrectable} uncorrectable"
        table.add_row(row.place, row.component or "", states, short, errors)
    screen.print(table)
