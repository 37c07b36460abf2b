"""Readings of a batch and what stands out among them, in words that the screen, the page and others share."""

from collections.abc import Iterator

from probe.batch.document import Batch, Cell, Comparison, Finding, Part, Place, Split
from probe.batch.readings import (
    CARRIED,
    COMPONENT,
    FIRMWARE,
    MEASURES,
    STATE,
    VOLTAGE_MARGIN,
    Count,
    Number,
    Reading,
    Word,
)
from probe.batch.standing import Standing
from probe.counted import counted
from probe.render.units import measured_rate

MARKS: dict[Standing, str] = {
    Standing.ODD: "odd", Standing.APART: "apart", Standing.SPLIT: "split", Standing.USUAL: ".", Standing.ALONE: "-",
    Standing.UNKNOWN: "?",
}  # fmt: skip
"""What stands in a cell for its standing."""
_SAYS = {
    Standing.ODD: "unlike most, surely", Standing.APART: "unlike most, too few to be sure",
    Standing.SPLIT: "no most: nobody is odd", Standing.USUAL: "as usual", Standing.ALONE: "nothing to compare it with",
    Standing.UNKNOWN: "not read",
}  # fmt: skip
_TITLES = {measure.name: measure.title for measure in MEASURES}
_VERBS = {STATE.name: ("runs at", "run at"), COMPONENT.name: ("holds", "hold")}
"""Of one machine and of several."""
_WHOLE_HOURS = 100


def reading_words(measure: str, reading: Reading) -> str:
    """A reading with its unit, and where it was least."""
    match reading:
        case Word():
            return reading.text
        case Count():
            return (
                f"{reading.count} of {reading.of:g}" if reading.trials else f"{reading.count} in {_hours(reading.of)}"
            )
        case Number():
            at = f" ({reading.at})" if reading.at else ""
            return f"{_amount(measure, reading.value)}{at}"


def _hours(hours: float) -> str:
    return f"{hours:,.0f} h" if hours >= _WHOLE_HOURS else f"{hours:.3g} h"


def _amount(measure: str, value: float) -> str:
    if measure == CARRIED.name:
        return measured_rate(value)
    return f"{value * 1000:.0f} mV" if measure == VOLTAGE_MARGIN.name else f"{value:.3f} UI"


def what(against: Comparison) -> str:
    """What was compared: the measure, and what it was made with."""
    if against.measure == FIRMWARE.name:
        return against.of
    return f"{_TITLES.get(against.measure, against.measure)}{f' ({against.of})' if against.of else ''}"


def finding_words(finding: Finding) -> str:
    """What a cell is, what the others are, and what it would take to be sure."""
    against = finding.against
    own = reading_words(against.measure, finding.reading)
    return f"{_told(against, own)}, where {_usual(finding)}{_missing(finding)}"


def _told(against: Comparison, text: str, machines: int = 1) -> str:
    verbs = _VERBS.get(against.measure)
    return f"{verbs[machines > 1]} {text}" if verbs else f"{what(against)} {text}"


def _usual(finding: Finding) -> str:
    against = finding.against
    if against.usual is None:
        return "nothing is usual"
    usual = reading_words(against.measure, against.usual)
    match against.usual:
        case Word():
            verb = _VERBS.get(against.measure, ("has", "have"))[1]
            return f"{against.alike} of {against.known} {verb} {usual}"
        case Count():
            return f"the other {against.alike} together have {usual}"
        case Number():
            return f"the middle of {against.known} is {usual}"


def _missing(finding: Finding) -> str:
    needed = finding.against.needed
    if finding.standing is not Standing.APART:
        return ""
    if not needed:
        return "; what it holds was not read, which may be the cause"
    return f"; {counted(needed, 'more machine')} like the rest would make it odd"


def split_words(split: Split) -> str:
    """Who is what, and that nobody is odd."""
    parts = sorted(split.parts, key=lambda part: (-len(part.machines), part.machines))
    return f"{'; '.join(_part_words(split.against, part) for part in parts)}: nobody is odd"


def _part_words(against: Comparison, part: Part) -> str:
    count = len(part.machines)
    told = _told(against, reading_words(against.measure, part.reading), count)
    return f"{count} {told} ({', '.join(part.machines)})"


def legend() -> str:
    """What each mark says."""
    return "; ".join(f"{MARKS[word]}: {text}" for word, text in _SAYS.items())


def summary(document: Batch) -> str:
    """The whole in a line."""
    odd = sum(item.standing is Standing.ODD for item in document.findings)
    apart = len(document.findings) - odd
    told = [f"{odd} odd" if odd else "nothing odd"]
    told += [f"{apart} apart"] if apart else []
    told += [f"{len(document.splits)} split"] if document.splits else []
    return f"{counted(len(document.places), 'place')}: {', '.join(told)}"


def certainty(document: Batch) -> Iterator[str]:
    """What a batch of this size can show."""
    count = len(document.machines)
    if count < document.enough:
        yield (
            f"{count} machines are too few to call one odd: it takes {document.enough}, of which one is unlike the "
            "others. What differs is told."
        )


_MOST_PLACES = 24


def shown_places(document: Batch) -> tuple[tuple[Place, ...], str]:
    """The places to show, the machine as a whole last; of many only those with a cell that is not as usual.

    And what is to be said of those that are not shown, empty where none is left out.
    """
    whole = (document.firmware,) if document.firmware is not None else ()
    if len(document.places) <= _MOST_PLACES:
        return (*document.places, *whole), ""
    telling = tuple(place for place in document.places if any(map(_is_telling, place.cells)))
    left_out = len(document.places) - len(telling)
    return (*telling, *whole), f"In {counted(left_out, 'other place')} every cell is as usual." if left_out else ""


def _is_telling(cell: Cell) -> bool:
    return cell.standing is not Standing.USUAL
