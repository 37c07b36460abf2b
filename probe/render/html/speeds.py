"""A page of a way through the speeds: the result, and each link's generations."""

from collections.abc import Iterator

import msgspec

from probe.active.documents import LinkSpeeds, SpeedsDocument
from probe.render import styles
from probe.render.html import sections
from probe.render.html.page import Page, Section
from probe.render.trained import SPEED_COLUMNS, reasons_of, speed_row


def render(document: SpeedsDocument) -> Page:
    """The page."""
    return Page(
        title=f"Speeds of {document.host.name or 'a machine'}",
        verdict=document.result,
        colour=styles.PAGE_RESULTS[document.result],
        reasons=reasons_of(document),
        sections=(*speed_sections(document), sections.environment(document.host)),
    )


def speed_sections(document: SpeedsDocument, step: str = "") -> Iterator[Section]:
    """A section a link; `step` stands before its title."""
    for link in document.links:
        made = _section(link)
        yield msgspec.structs.replace(made, title=f"{step}: {made.title}") if step else made


def _section(link: LinkSpeeds) -> Section:
    return Section(
        title=f"{link.title}: {link.result}",
        texts=(f"By {link.means}; was {link.before}, is {link.ended}.",),
        columns=SPEED_COLUMNS,
        rows=tuple(speed_row(step) for step in link.speeds),
    )
