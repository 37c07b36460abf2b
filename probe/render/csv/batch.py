"""A batch as CSV, a row a reading: which place of which machine, what it is, and how it stands among the others."""

from collections.abc import Iterator, Mapping

from probe.batch.document import Batch, Cell, Held, Place
from probe.batch.readings import MEASURES, Count, Number, Word
from probe.render.csv.table import table

COLUMNS = (
    "machine", "place", "title", "downstream_port", "verdict", "alarming", "urgent", "component", "identity", "measure",
    "made_with", "word", "value", "at", "count", "of", "unit", "standing", "file",
)  # fmt: skip
_UNITS = {measure.name: measure.unit for measure in MEASURES}


def render(document: Batch) -> str:
    """The text."""
    return table(COLUMNS, _rows(document))


def _rows(document: Batch) -> Iterator[Mapping[str, object]]:
    files = {machine.name: machine.links_from for machine in document.machines}
    for place in (*document.places, *((document.firmware,) if document.firmware is not None else ())):
        for cell in place.cells:
            for held in cell.readings or (None,):
                yield {**_place(place, cell), **_reading(held), "file": files[cell.machine]}


def _place(place: Place, cell: Cell) -> dict[str, object]:
    return {
        "machine": cell.machine,
        "place": place.place_id or None,
        "title": place.title,
        "downstream_port": cell.downstream_port,
        "verdict": cell.verdict,
        "alarming": cell.alarming if cell.verdict is not None else None,
        "urgent": cell.urgent if cell.verdict is not None else None,
        "component": cell.component,
        "identity": cell.identity,
    }


def _reading(held: Held | None) -> dict[str, object]:
    if held is None:
        return {}
    told: dict[str, object] = {
        "measure": held.measure, "made_with": held.of or None, "standing": held.standing,
        "unit": _UNITS[held.measure] or None,
    }  # fmt: skip
    match held.reading:
        case Word(value, shown):
            return told | {"word": shown or value}
        case Number():
            return told | {"value": held.reading.value, "at": held.reading.at or None}
        case Count():
            return told | {"count": held.reading.count, "of": held.reading.of}
