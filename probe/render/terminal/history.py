"""The trainings of every place over boots, on a terminal."""

from rich.console import Console
from rich.table import Table

from probe.compare.history import History, Training
from probe.counted import counted


def render(document: History, screen: Console) -> None:
    """Draw the trainings of every place."""
    snapshots, boots = counted(document.snapshots, "snapshot"), counted(document.boots, "boot")
    screen.print(f"{snapshots} of {boots}\n")
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for name in ("place", "component", "trained to", "short", "errors"):
        table.add_column(name, overflow="fold", no_wrap=name in {"place", "short"})
    for row in document.places:
        states = ", ".join(f"{state} in {count}" for state, count in row.states.items())
        errors = f"{row.correctable} correctable\n{row.uncorrectable} uncorrectable"
        table.add_row(row.place, row.component or "", states or "nothing", _short(row), errors)
    screen.print(table)


def _short(row: Training) -> str:
    told = [f"in {row.short} of {counted(row.trainings, 'training')}"] if row.short else []
    told += [
        f"{words} in {counted(number, 'boot')}"
        for words, number in (("absent", row.absent), ("no answer", row.silent), ("not judged", row.unjudged))
        if number
    ]
    return "\n".join(told) or "never"
