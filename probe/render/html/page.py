"""A document as one self-contained page without scripts, printable to A4."""

import re
from importlib.resources import files

import jinja2
import markupsafe
import msgspec

from probe import __version__
from probe.verdict.next_steps import CAUTIONS

_NOT_PLAIN = re.compile(r"[^A-Za-z0-9 .,:()_-]")


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
    """All that a page holds. `tree` is the machine by memory node; `unsigned` says why there is no place to sign.

    `footer` stands on each printed page beside its number; without one the title does.
    """

    title: str
    verdict: str
    colour: str
    reasons: tuple[str, ...]
    sections: tuple[Section, ...]
    tree: tuple[Chart, ...] = ()
    unsigned: str | None = None
    footer: str = ""
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
    marked["tree"] = [_marked_chart(chart) for chart in page.tree]
    marked["sections"] = [_marked(section) for section in page.sections]
    marked["printed"] = in_style(page.footer or page.title)
    return marked


def in_style(text: str) -> str:
    """A text as it can stand in a string of a style sheet: each odd letter by its number (CSS 2.2, 4.1.3)."""
    return _NOT_PLAIN.sub(lambda match: f"\\{ord(match[0]):x} ", text)


def _marked(section: Section) -> dict[str, object]:
    found = msgspec.structs.asdict(section)
    found["charts"] = [_marked_chart(chart) for chart in section.charts]
    return found


def _marked_chart(chart: Chart) -> dict[str, str]:
    return {"title": chart.title, "svg": markupsafe.Markup(chart.svg)}  # noqa: S704 - our own picture
