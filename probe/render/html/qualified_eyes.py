"""The eyes that a qualification measured, a picture a receiver."""

from collections.abc import Iterator, Sequence

from probe.qualify.document import Judged
from probe.qualify.entries import Entry, Margined
from probe.render.html.margin import margin_sections
from probe.render.html.page import Section


def eye_sections(entries: Sequence[Entry], judged: Judged) -> Iterator[Section]:
    """A section a receiver of each step that measured margins; of a step done again, the last."""
    names = {step.number: step.name for step in judged.steps}
    last = {entry.turn: entry.document for entry in entries if isinstance(entry, Margined)}
    for turn, document in last.items():
        yield from margin_sections(document, names.get(turn, ""))
