"""What active tests have in common on a terminal: the words before, head and result."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.active.documents import LinkSpeeds, LinkTraining, Plan, SpeedsDocument, TrainingDocument
from probe.active.margining.document import MarginDocument
from probe.links.state import LinkState
from probe.render.styles import TERMINAL_RESULTS
from probe.render.units import duration

STYLES = TERMINAL_RESULTS


def before(document: Plan, screen: Console) -> None:
    """Draw what is about to be done, shortly, with the cautions."""
    for link in document.links:
        told = f"{link.title}: by {link.means}; about {duration(link.lasts_s)}, {duration(link.at_most_s)} at most"
        screen.print(Text(told))
    for caution in document.cautions:
        screen.print(Text(caution, style="italic"))


def head(document: TrainingDocument | SpeedsDocument | MarginDocument, screen: Console) -> None:
    """Draw the result of the whole, and what is not as it was."""
    restored = "all is as it was" if document.restored else "NOT all is as it was"
    host = document.host.name or "this machine"
    screen.print(Text.assemble((document.result, STYLES[document.result]), f"  {host}; {restored}"))
    for item in document.leftovers:
        screen.print(Padding(Text(item.sentence(), style="bold red"), (0, 0, 0, 2)))


def result(link: LinkTraining | LinkSpeeds, screen: Console) -> None:
    """Draw the result of a link, and why."""
    screen.print()
    now = "what it runs at now could not be read" if link.ended == LinkState() else f"is {link.ended}"
    ended = f"was {link.before}, {now}"
    screen.print(Text.assemble((link.title, "bold"), "  ", (link.result, STYLES[link.result]), f"  {ended}"))
    for reason in link.reasons:
        screen.print(Padding(Text(reason), (0, 0, 0, 2)))
