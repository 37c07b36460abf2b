"""What was put back, on a terminal, and what was not."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.active.documents import PutBackDocument
from probe.counted import counted


def render(document: PutBackDocument, screen: Console) -> None:
    """Draw what was put back, and what was not."""
    if not document.runs:
        screen.print("Nothing was left behind.")
        return
    for run in document.runs:
        screen.print(Text(run))
    for note in document.notes:
        screen.print(Padding(Text(note), (0, 0, 0, 2)))
    if document.put_back:
        screen.print(f"  {counted(document.put_back, 'register or file is', 'registers and files are')} put back.")
    for item in document.leftovers:
        screen.print(Padding(Text(item.sentence(), style="bold red"), (0, 0, 0, 2)))
