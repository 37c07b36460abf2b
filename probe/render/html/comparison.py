"""A page of a comparison."""

from probe.compare.changes import Comparison
from probe.compare.rank import Rank
from probe.render import styles
from probe.render.html import sections
from probe.render.html.page import Page


def render(document: Comparison) -> Page:
    """The page."""
    worse = [change for change in document.changes if change.rank is Rank.WORSE]
    return Page(
        title=f"Before and after: {document.host or 'a machine'}",
        verdict="something changed for the worse" if worse else "nothing changed for the worse",
        colour=styles.BAD if worse else styles.GOOD,
        reasons=tuple(f"{change.place}: {change.sentence}" for change in worse) or document.notes or ("compared",),
        sections=(sections.changes(document.changes),),
    )
