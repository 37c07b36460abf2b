"""The trainings of every place over boots, on a terminal."""

from rich.console import Console
from rich.table import Table

from probe.compare.history import History, Training
from probe.counted import counted

_NARROW = 100
_WIDTHS = {"place": 19, "component": 23, "trained to": 11, "short": 9, "errors": 13}
"""On a screen of 80 characters: each keeps what must not be broken whole, an address, a serial number, a count."""


def render(document: History, screen: Console) -> None:
    """Draw the trainings of every place."""
    snapshots, boots = counted(document.snapshots, "snapshot"), counted(document.boots, "boot")
    screen.print(f"{snapshots} of {boots}\n")
    narrow = screen.width < _NARROW
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 1 if narrow else 2, 0, 0))
    for name, width in _WIDTHS.items():
        table.add_column(name, overflow="fold", width=width if narrow else None)
    for row in document.places:
        states = ", ".join(f"{state} in {count}" for state, count in row.states.items())
        table.add_row(row.place, row.component or "", states or "nothing", _short(row), _errors(row))
    screen.print(table)


def _short(row: Training) -> str:
    told = [f"in {row.short} of {counted(row.trainings, 'training')}"] if row.short else []
    told += [
        f"{words} in {counted(number, 'boot')}"
        for words, number in (("absent", row.absent), ("no answer", row.silent), ("not judged", row.unjudged))
        if number
    ]
    return "\n".join(told) or "never"


def _errors(row: Training) -> str:
    told = [(row.correctable, "correctable"), (row.uncorrectable, "uncorrectable")]
    return "\n".join(f"{number} {word}" for number, word in told if number) or "none"
