"""A page of trainings: the result, each link's trainings as a row of bars, and those that are worth a line."""

from probe.active.documents import LinkTraining, TrainingDocument
from probe.counted import counted
from probe.render.html.page import Chart, Page, Section
from probe.render.html.result_page import result_page
from probe.render.html.training_picture import training_picture
from probe.render.trained import COLUMNS, row, times, unusual

_MOST_ROWS = 400
_LEGEND = (
    "A bar a training, as high as it took long; a cross stands over one that came up short, a ring where no training "
    "was observed."
)


def render(document: TrainingDocument) -> Page:
    """The page."""
    return result_page("Trainings", document, map(_section, document.links))


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
