"""A comparison on a terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.compare.changes import Change, Comparison
from probe.compare.rank import Rank
from probe.compare.swaps import Conclusion
from probe.render.spans import TITLES, span

_TWO = 2
_STYLES = {Rank.WORSE: "bold red", Rank.NEUTRAL: "", Rank.BETTER: "green"}


def render(document: Comparison, screen: Console) -> None:
    """Draw a comparison, worst first, and what swaps in between show."""
    _comparison(document, screen)
    if document.snapshots > _TWO:
        _conclusions(document.conclusions, screen)


def _comparison(document: Comparison, screen: Console) -> None:
    screen.print(Text.assemble((document.host or "this machine", "bold"), f"  {span(document)}"))
    for note in document.notes:
        screen.print(note)
    if document.empty:
        screen.print(document.nothing)
        return
    for rank in Rank:
        members = [change for change in document.changes if change.rank is rank]
        if members:
            screen.print()
            screen.print(Text(TITLES[rank], style="bold"))
            for change in members:
                _change(change, screen)


def _change(change: Change, screen: Console) -> None:
    urgent = "  (urgent)" if change.urgent else ""
    screen.print(Text.assemble(f"  {change.place}: ", (change.sentence, _STYLES[change.rank]), urgent))
    screen.print(Padding(Text(change.evidence, style="dim"), (0, 0, 0, 6)))


def _conclusions(found: Sequence[Conclusion], screen: Console) -> None:
    if not found:
        screen.print("\nNo component that can be told apart by a serial number was in trouble.")
    for item in found:
        screen.print()
        screen.print(
            Text.assemble(
                f"{item.component}, first seen in trouble at {item.place}: the trouble ", (item.blame, "bold")
            )
        )
        for line in item.evidence:
            screen.print(Text(f"    {line}", style="dim"))
