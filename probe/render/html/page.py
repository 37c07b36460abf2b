"""A document as one self-contained page without scripts, printable to A4."""

from importlib.resources import files

import jinja2
import markupsafe
import msgspec

from probe import __version__
from probe.verdict.next_steps import CAUTIONS


class Chart(msgspec.Struct, frozen=True):
    """One picture and what it shows."""

    title: str
    svg: str


class Section(msgspec.Struct, frozen=True, kw_only=True):
    """A heading with texts, a table, and pictures. `links` leads from what a first cell says to another page.

    `marks` has a word for each cell, row by row, by which it is coloured; none for no word. `even` makes all columns
    past the first as wide as each other.
    """

    title: str
    texts: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    charts: tuple[Chart, ...] = ()
    links: dict[str, str] = {}
    marks: tuple[tuple[str, ...], ...] = ()
    even: bool = False


class Page(msgspec.Struct, frozen=True, kw_only=True):
    """All that a page holds."""

    title: str
    verdict: str
    colour: str
    reasons: tuple[str, ...]
    sections: tuple[Section, ...]
    tree: str | None = None
    signed: bool = False
    safety: str = CAUTIONS
    written_by: str = f"linkprobe {__version__}"


def html(page: Page) -> str:
    """The page as HTML. All text is escaped; only our own pictures are taken as they are."""
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(files("probe.render.html").joinpath("page.html.j2").read_text())
    return template.render(page=marked_page(page))


def marked_page(page: Page) -> dict[str, object]:
    """What a template is given: fields by name, our own pictures marked as markup and all else as text."""
    marked = msgspec.structs.asdict(page)
    marked["tree"] = markupsafe.Markup(page.tree) if page.tree else None  # noqa: S704 - our own picture
    marked["sections"] = [_marked(section) for section in page.sections]
    return marked


def _marked(section: Section) -> dict[str, object]:
    found = msgspec.structs.asdict(section)
    found["charts"] = [{"title": chart.title, "svg": markupsafe.Markup(chart.svg)} for chart in section.charts]  # noqa: S704 - as above
    return found
