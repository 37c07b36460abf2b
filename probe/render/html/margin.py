"""A page of lane margining: the result, and each receiver's eyes with their figures."""

from collections.abc import Iterator

from probe.active.margining.document import MarginDocument, MarginedLink, ReceiverMargin
from probe.links.state import LinkState
from probe.render import styles
from probe.render.eyes import eyes
from probe.render.html import sections
from probe.render.html.eye_picture import eye_picture
from probe.render.html.page import Chart, Page, Section
from probe.render.terminal.margin import side_words
from probe.result import Result

_WAYS = ("left", "right", "both_sides", "up", "down", "both_levels")


def render(document: MarginDocument) -> Page:
    """The page."""
    reasons = [f"{link.title}: {text}" for link in document.links for text in link.reasons]
    restored = "All is as it was." if document.restored else "NOT all is as it was."
    return Page(
        title=f"Lane margins of {document.host.name or 'a machine'}",
        verdict=document.result,
        colour=styles.GOOD if document.result is Result.PASSED else styles.BAD,
        reasons=(*document.reasons, *reasons, restored),
        sections=(*_sections(document), _method(document), sections.environment(document.host)),
    )


def _sections(document: MarginDocument) -> Iterator[Section]:
    for link in document.links:
        for receiver in link.receivers:
            yield _section(link, receiver)


def _section(link: MarginedLink, receiver: ReceiverMargin) -> Section:
    name = f"{link.title}, receiver {receiver.number} ({receiver.name}), at {LinkState(link.speed_gts, link.width)}"
    odd = frozenset(item.lane for item in link.odd_lanes if item.receiver == receiver.number)
    drawn = [eye for eye in eyes(receiver) if eye.measured]
    rows = tuple(
        (str(lane.lane), *(side_words(lane.side(way)) for way in _WAYS), lane.unmeasured or "")
        for lane in receiver.lanes
    )
    return Section(
        title=name,
        texts=(f"Not measured: {receiver.unmeasured}.",) if receiver.unmeasured is not None else (),
        charts=(Chart("Eyes of the lanes, on one scale", eye_picture(drawn, odd)),) if drawn else (),
        columns=("lane", *(way.replace("_", " ") for way in _WAYS), "not measured"),
        rows=rows,
    )


def _method(document: MarginDocument) -> Section:
    done = document.settings
    notes = dict.fromkeys(note for link in document.links for note in link.notes)
    told = f"{done.seconds:g} s at each step; a step ends at more than {done.error_limit} errors."
    return Section(title="Method and limits", texts=(told, *notes))
