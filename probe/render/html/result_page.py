"""The page of a test that wrote to hardware: its result and reasons, what was measured, the machine."""

from collections.abc import Iterable

from probe.active.documents import SpeedsDocument, TrainingDocument
from probe.active.margining.document import MarginDocument
from probe.render import styles
from probe.render.html import sections
from probe.render.html.page import Page, Section
from probe.render.trained import reasons_of


def result_page(
    what: str, document: TrainingDocument | SpeedsDocument | MarginDocument, measured: Iterable[Section]
) -> Page:
    """The page; `what` was measured, in the plural."""
    return Page(
        title=f"{what} of {document.host.name or 'a machine'}",
        verdict=document.result,
        colour=styles.PAGE_RESULTS[document.result],
        reasons=reasons_of(document),
        sections=(*measured, sections.environment(document.host)),
    )
