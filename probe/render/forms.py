"""A record in the form that the name of a file asks for: a page, JUnit XML, a table of values, all samples."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from probe.documents.record_file import RecordFile
from probe.exceptions import InputError
from probe.qualify.document import RecordSummary
from probe.qualify.entries import Entry
from probe.qualify.measured import measured
from probe.render.csv.samples import render as samples
from probe.render.html.own_template import own_page
from probe.render.html.page import Page, html
from probe.render.renderers import Medium, renderer
from probe.soak.journal import Entry as SoakEntry
from probe.soak.record import Record

FORMS = (".html", ".xml", ".csv")
_SAMPLES = ".samples.csv"
FORMS_OF_SOAK = (*FORMS, _SAMPLES)
OwnTemplate = tuple[str, str]
"""A site's own template for the page: its text, and the name of its file."""


def check_form(path: Path, forms: Sequence[str] = FORMS) -> None:
    """Raise InputError for a name that ends in none of the forms."""
    if not path.name.endswith(tuple(forms)):
        raise InputError("ends in no form that there is", where=str(path), remedy=f"end it in {', '.join(forms)}")


def page_of(document: RecordSummary, entries: Sequence[Entry]) -> Page:
    """All that the page of a record holds."""
    page: Page = renderer(document, Medium.HTML)(document, entries)
    return page


def drawn_as(
    path: Path, document: RecordSummary, entries: Sequence[Entry], template: OwnTemplate | None = None
) -> bytes:
    """A record as the name says. Raises InputError."""
    check_form(path)
    if path.suffix == ".csv":
        table: str = renderer(document, Medium.CSV)(document, tuple(measured(entries)))
        return table.encode()
    if path.suffix == ".xml":
        xml: bytes = renderer(document, Medium.JUNIT)(document)
        return xml
    return filled_in(page_of(document, entries), document, template).encode()


def soak_drawn_as(path: Path, document: Record, entries: Iterable[SoakEntry], source: RecordFile) -> bytes:
    """The record of a soak as the name says. Raises InputError."""
    check_form(path, FORMS_OF_SOAK)
    if path.name.endswith(_SAMPLES):
        return samples(entries).encode()
    if path.suffix == ".csv":
        table: str = renderer(document, Medium.CSV)(document)
        return table.encode()
    if path.suffix == ".xml":
        xml: bytes = renderer(document, Medium.JUNIT)(document)
        return xml
    return html(soak_page_of(document, entries, source)).encode()


def soak_page_of(document: Record, entries: Iterable[SoakEntry], source: RecordFile) -> Page:
    """All that the page of a soak holds."""
    page: Page = renderer(document, Medium.HTML)(document, list(entries), source)
    return page


def filled_in(page: Page, document: RecordSummary, template: OwnTemplate | None) -> str:
    """The page as text, on our template or on the site's own."""
    return html(page) if template is None else own_page(*template, page, document)
