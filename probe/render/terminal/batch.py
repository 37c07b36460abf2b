"""A batch on a terminal: who is odd and why, then every place of every machine as one mark."""

from collections.abc import Iterable, Sequence

from rich.columns import Columns
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.batch.document import Batch, Finding
from probe.batch.standing import Standing
from probe.counted import counted
from probe.render.batch_words import MARKS, certainty, finding_words, legend, shown_places, split_words, summary
from probe.render.units import even_runs

_STYLES: dict[Standing, str] = {
    Standing.ODD: "bold red", Standing.APART: "bold yellow", Standing.SPLIT: "magenta", Standing.USUAL: "dim",
    Standing.ALONE: "dim", Standing.UNKNOWN: "blue",
}  # fmt: skip
_CELL, _PLACE = 6, 20


def render(document: Batch, screen: Console) -> None:
    """Draw the batch."""
    name = f" of {document.model}" if document.model else ""
    screen.print(Text.assemble((counted(len(document.machines), "machine") + name, "bold"), f"  {summary(document)}"))
    for told in certainty(document):
        screen.print(told)
    _findings("Odd", [item for item in document.findings if item.standing is Standing.ODD], screen)
    _findings("Apart", [item for item in document.findings if item.standing is Standing.APART], screen)
    if document.splits:
        _heading("Split", screen)
        for split in document.splits:
            _entry((split.title,), split_words(split), screen)
    if document.own:
        _heading("Found in the machine itself, without comparison", screen)
        for own in document.own:
            _entry((own.machine, own.title), f"{own.sentence}{'  (urgent)' if own.urgent else ''}", screen)
    _grid(document, screen)
    for note in document.notes:
        screen.print(Text.assemble(("note  ", "dim"), note))


def _heading(title: str, screen: Console) -> None:
    screen.print()
    screen.print(Text(title, style="bold"))


def _entry(names: Iterable[str], sentence: str, screen: Console) -> None:
    screen.print(Padding(Text("  ".join(names), style="bold"), (0, 0, 0, 2)))
    screen.print(Padding(Text(sentence), (0, 0, 0, 4)))


def _findings(title: str, found: Sequence[Finding], screen: Console) -> None:
    if found:
        _heading(title, screen)
    for item in found:
        _entry((item.machine, item.title), finding_words(item), screen)


def _grid(document: Batch, screen: Console) -> None:
    """A row a place, a column a machine by its number; as many machines beside each other as there is room for."""
    _heading("Place by machine", screen)
    screen.print(Padding(Text(legend(), style="dim"), (0, 0, 0, 2)))
    shown, left_out = shown_places(document)
    most = max(1, (screen.width - _PLACE - 3) // _CELL)
    for numbers in even_runs(len(document.machines), most):
        screen.print()
        _line("", [(str(number + 1), "dim") for number in numbers], screen)
        for place in shown:
            marks = [place.cells[number] for number in numbers]
            _line(place.title, [(MARKS[cell.standing], _STYLES[cell.standing]) for cell in marks], screen)
    screen.print()
    if left_out:
        screen.print(Padding(Text(left_out), (0, 0, 0, 2)))
    named = [Text(f"{number} {machine.name}") for number, machine in enumerate(document.machines, start=1)]
    screen.print(Padding(Columns(named, padding=(0, 3)), (0, 0, 0, 2)))


def _line(title: str, cells: Iterable[tuple[str, str]], screen: Console) -> None:
    short = title if len(title) <= _PLACE else f"{title[: _PLACE - 1]}~"
    line = Text(f"  {short:<{_PLACE}} ", no_wrap=True)
    for text, style in cells:
        line.append(text.center(_CELL), style=style)
    line.rstrip()
    screen.print(line, soft_wrap=True)
