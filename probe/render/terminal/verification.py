"""What was found of a record, on a terminal."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.qualify.sealing import Verification

_FOLLOWS = {
    True: "the judgement follows from the journal again",
    False: "the judgement does NOT follow from the journal",
    None: "whether the judgement follows cannot be told, since the journal is not whole",
}


def render(document: Verification, screen: Console) -> None:
    """Draw it, the result first."""
    word = ("sound", "bold green") if document.sound else ("not sound", "bold red")
    screen.print(Text.assemble(word, f"  {document.record}, which says {document.result}"))
    held = (("plan", document.plan_holds), ("journal", document.journal_holds), ("judgement", document.judged_holds))
    for name, holds in held:
        digest = getattr(document.digests, "judged" if name == "judgement" else name)
        screen.print(
            Padding(Text(f"{name}: the digest {'holds' if holds else 'does NOT hold'}, {digest}"), (0, 0, 0, 2))
        )
    screen.print(Padding(Text(_FOLLOWS[document.follows]), (0, 0, 0, 2)))
    for difference in document.differences:
        screen.print(Padding(Text(difference, style="bold red"), (0, 0, 0, 4)))
    screen.print(Padding(Text(f"written by {document.written_by}, verified by {document.verified_by}"), (0, 0, 0, 2)))
