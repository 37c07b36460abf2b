"""A page of lane margining: the result, and each receiver's eyes with their figures."""

from collections.abc import Iterator

import msgspec

from probe.active.margining.document import SIDES, MarginDocument, MarginedLink, ReceiverMargin
from probe.active.margining.wording import remarks, worded
from probe.counted import counted
from probe.links.state import LinkState
from probe.render.eyes import bits_say, eyes, scale
from probe.render.html.eye_picture import eye_picture
from probe.render.html.page import Chart, Page, Section
from probe.render.html.result_page import result_page
from probe.render.terminal.margin import side_words

_LEGEND = "Below each, in steps: left | right, then up | down; + where the range ended."


def render(document: MarginDocument) -> Page:
    """The page."""
    return result_page("Lane margins", document, (*margin_sections(document), _method(document)))


def margin_sections(document: MarginDocument, step: str = "") -> Iterator[Section]:
    """A section a receiver; `step` stands before its title."""
    for link in document.links:
        for receiver in link.receivers:
            made = _section(link, receiver)
            yield msgspec.structs.replace(made, title=f"{step}: {made.title}") if step else made


def _section(link: MarginedLink, receiver: ReceiverMargin) -> Section:
    name = f"{link.title}, receiver {receiver.number} ({receiver.name}), at {LinkState(link.speed_gts, link.width)}"
    odd = frozenset(item.lane for item in link.odd_lanes if item.receiver == receiver.number)
    drawn = [eye for eye in eyes(receiver) if eye.measured]
    ways = tuple(way for way in SIDES if any(lane.side(way) is not None for lane in receiver.lanes))
    rows = tuple((str(lane.lane), *(side_words(lane.side(way)) for way in ways)) for lane in receiver.lanes if ways)
    return Section(
        title=name,
        texts=tuple(_texts(receiver, drawn=bool(drawn))),
        charts=(Chart("Eyes of the lanes", eye_picture(drawn, odd)),) if drawn else (),
        columns=("lane", *(worded(way) for way in ways)),
        rows=rows,
    )


def _texts(receiver: ReceiverMargin, *, drawn: bool) -> Iterator[str]:
    if receiver.unmeasured is not None:
        yield f"Not measured: {receiver.unmeasured}."
    if drawn:
        yield f"{_capital(scale(receiver).sentence())}. {_LEGEND}"
        yield from (f"{_capital(sentence)}." for sentence in filter(None, (bits_say(receiver),)))
    yield from (f"{_capital(sentence)}." for sentence in remarks(receiver.lanes))


def _capital(sentence: str) -> str:
    return sentence[0].upper() + sentence[1:]


def _method(document: MarginDocument) -> Section:
    done = document.settings
    notes = dict.fromkeys(note for link in document.links for note in link.notes)
    told = f"{done.seconds:g} s at each step; a step ends at more than {counted(done.error_limit, 'error')}."
    return Section(title="Method and limits", texts=(told, *notes))
