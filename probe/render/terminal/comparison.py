"""A comparison on a terminal, and as Markdown."""

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.compare.changes import Change, Comparison, Rank
from probe.compare.sequence import Conclusion, History
from probe.render.units import duration

_STYLES = {Rank.WORSE: "bold red", Rank.NEUTRAL: "", Rank.BETTER: "green"}
_TITLES = {Rank.WORSE: "For the worse", Rank.NEUTRAL: "Neither better nor worse", Rank.BETTER: "For the better"}


def comparison(document: Comparison, screen: Console) -> None:
    """Draw a comparison, worst first."""
    screen.print(Text.assemble((document.host or "this machine", "bold"), f"  {_span(document)}"))
    for note in document.notes:
        screen.print(note)
    if document.empty:
        screen.print("Nothing changed.")
        return
    for rank in Rank:
        members = [change for change in document.changes if change.rank is rank]
        if members:
            screen.print()
            screen.print(Text(_TITLES[rank], style="bold"))
            for change in members:
                _change(change, screen)


def _span(document: Comparison) -> str:
    if document.elapsed_s is None:
        return "compared; the time between is not known"
    since = "since it was started anew" if document.rebooted else "between the two"
    return f"compared, {duration(document.elapsed_s)} {since}"


def _change(change: Change, screen: Console) -> None:
    urgent = "  (urgent)" if change.urgent else ""
    screen.print(Text.assemble(f"  {change.place}: ", (change.sentence, _STYLES[change.rank]), urgent))
    screen.print(Padding(Text(change.evidence, style="dim"), (0, 0, 0, 6)))


def conclusions(found: Sequence[Conclusion], screen: Console) -> None:
    """Draw what the swaps show."""
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


def history(document: History, screen: Console) -> None:
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


def markdown(document: Comparison) -> str:
    """The comparison as Markdown, for a ticket."""
    return "\n".join(_markdown(document)) + "\n"


def _markdown(document: Comparison) -> Iterator[str]:
    yield f"# {document.host or 'this machine'}"
    yield ""
    yield f"{document.before_taken_at} and {document.after_taken_at}, {_span(document)}."
    for note in document.notes:
        yield f"\n{note}"
    if document.empty:
        yield "\nNothing changed."
        return
    for rank in Rank:
        members = [change for change in document.changes if change.rank is rank]
        if members:
            yield f"\n## {_TITLES[rank]}\n"
            yield "| place | change | evidence |"
            yield "|---|---|---|"
            for change in members:
                urgent = " (urgent)" if change.urgent else ""
                cells = (change.place, change.sentence + urgent, change.evidence)
                yield "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"
