"""A page of trainings: the result, each link's trainings as a row of bars, and those that are worth a line."""

from collections.abc import Iterator

import msgspec

from probe.active.documents import LinkTraining, TrainingDocument
from probe.counted import counted
from probe.render import styles
from probe.render.html import sections
from probe.render.html.page import Chart, Page, Section
from probe.render.html.training_picture import training_picture
from probe.render.trained import COLUMNS, reasons_of, row, times, unusual

_MOST_ROWS = 400
_LEGEND = (
    "A bar a training, as high as it took long; a cross stands over one that came up short, a ring where no training "
    "was observed."
)


def render(document: TrainingDocument) -> Page:
    """The page."""
    return Page(
        title=f"Trainings of {document.host.name or 'a machine'}",
        verdict=document.result,
        colour=styles.PAGE_RESULTS[document.result],
        reasons=reasons_of(document),
        sections=(*training_sections(document), sections.environment(document.host)),
    )


def training_sections(document: TrainingDocument, step: str = "") -> Iterator[Section]:
    """A section a link; `step` stands before its title."""
    for link in document.links:
        made = _section(link)
        yield msgspec.structs.replace(made, title=f"{step}: {made.title}") if step else made


def _section(link: LinkTraining) -> Section:
    listed = unusual(link)
    more = len(listed) - _MOST_ROWS
    return Section(
        title=f"{link.title}: {link.result}",
        texts=tuple(filter(None, (
            f"By {link.means}; expected {link.expected}; was {link.before}, is {link.ended}.",
            ", ".join(f"{count} {kind}" for kind, count in link.kinds.items()),
            times(link.attempts), _LEGEND if link.attempts else None,
            _listed(len(listed)) if more > 0 else None,
        ))),
        charts=(Chart("Trainings", training_picture(link.attempts)),) if link.attempts else (),
        columns=COLUMNS if listed else (),
        rows=tuple(row(attempt) for attempt in listed[:_MOST_ROWS]),
    )  # fmt: skip


def _listed(number: int) -> str:
    return f"Of {counted(number, 'training')} worth a line the first {_MOST_ROWS} are listed."
