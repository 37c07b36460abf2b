"""A page of a way through the speeds: the result, and each link's generations."""

from probe.active.documents import LinkSpeeds, SpeedsDocument
from probe.render.html.page import Page, Section
from probe.render.html.result_page import result_page
from probe.render.trained import SPEED_COLUMNS, speed_row


def render(document: SpeedsDocument) -> Page:
    """The page."""
    return result_page("Speeds", document, map(_section, document.links))


def _section(link: LinkSpeeds) -> Section:
    return Section(
        title=f"{link.title}: {link.result}",
        texts=(f"By {link.means}; was {link.before}, is {link.ended}.",),
        columns=SPEED_COLUMNS,
        rows=tuple(speed_row(step) for step in link.speeds),
    )
