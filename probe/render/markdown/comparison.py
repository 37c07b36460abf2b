"""A comparison as Markdown."""

from collections.abc import Iterator

from probe.compare.changes import Comparison
from probe.compare.rank import Rank
from probe.foreign_text import markdown
from probe.render.spans import TITLES, span


def render(document: Comparison) -> str:
    """The text."""
    return "\n".join(_lines(document)) + "\n"


def _lines(document: Comparison) -> Iterator[str]:
    yield f"# {markdown(document.host or 'this machine')}"
    yield ""
    yield f"{document.before_taken_at} and {document.after_taken_at}, {span(document)}."
    for note in document.notes:
        yield f"\n{markdown(note)}"
    if document.empty:
        yield f"\n{document.nothing}"
        return
    for rank in Rank:
        members = [change for change in document.changes if change.rank is rank]
        if members:
            yield f"\n## {TITLES[rank]}\n"
            yield "| place | change | evidence |"
            yield "|---|---|---|"
            for change in members:
                urgent = " (urgent)" if change.urgent else ""
                cells = (change.place, change.sentence + urgent, change.evidence)
                yield "| " + " | ".join(map(markdown, cells)) + " |"
