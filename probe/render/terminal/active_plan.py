"""The plan of an active test on a terminal: what would be written, who would be hit, and what words it needs."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.active.documents import Plan, PlannedLink
from probe.active.guard import WORDS, Finding
from probe.render.units import duration


def render(document: Plan, screen: Console) -> None:
    """Draw what would be done, who would be hit, and what words it needs."""
    screen.print(Text.assemble(("The plan of ", ""), (document.command, "bold"), "; nothing was written."))
    for link in document.links:
        _planned(link, screen)
    _heading("Before", screen)
    for caution in document.cautions:
        screen.print(Padding(Text(caution, style="italic"), (0, 0, 0, 2)))
    screen.print()
    if document.left_behind is not None:
        screen.print(Text(document.left_behind, style="bold red"))
    elif document.refused:
        screen.print(Text("Refused: no word covers what stands in the way.", style="bold red"))
    else:
        words = "".join(f" --accept {word}" for word in document.accept)
        screen.print(Text(f"To do it, repeat the command with --go{words}"))
        for word in document.accept:
            meaning = WORDS.get(word) or next(text for name, text in WORDS.items() if name.startswith("bound:"))
            screen.print(Padding(Text(f"{word}: {meaning}", style="dim"), (0, 0, 0, 2)))


def _planned(link: PlannedLink, screen: Console) -> None:
    screen.print()
    screen.print(Text.assemble((link.title, "bold"), f"  now {link.state}, component {link.upstream_port}"))
    screen.print(Padding(Text(f"by {link.means}; {link.shows}"), (0, 0, 0, 2)))
    times = f"takes about {duration(link.lasts_s)}, {duration(link.at_most_s)} at most"
    screen.print(Padding(Text(times), (0, 0, 0, 2)))
    screen.print(Text("  writes"))
    for item in link.writes:
        old = "not read" if item.old is None else item.old
        change = (
            item.new if item.where.endswith("reset") or item.what.startswith("reset_sub") else f"{old} -> {item.new}"
        )
        screen.print(Padding(Text(f"{item.what}: {change}"), (0, 0, 0, 4)))
        screen.print(Padding(Text(f"{item.where}; {item.meaning}", style="dim"), (0, 0, 0, 6)))
    screen.print(Text("  below"))
    for function in link.below:
        driver = "no driver" if function.driver is None else f"driver {function.driver}"
        screen.print(Padding(Text(f"{function.address}  {function.name}, {driver}"), (0, 0, 0, 4)))
    if link.findings:
        screen.print(Text("  stands in the way"))
    for finding in link.findings:
        _finding(finding, screen)


def _finding(finding: Finding, screen: Console) -> None:
    word = ("no word covers it", "bold red") if finding.word is None else (f"needs {finding.word}", "yellow")
    screen.print(Padding(Text.assemble(f"{finding.what}: {finding.user}; ", word), (0, 0, 0, 4)))


def _heading(title: str, screen: Console) -> None:
    screen.print()
    screen.print(Text(title, style="bold"))
