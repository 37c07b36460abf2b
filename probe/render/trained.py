"""Trainings and speeds in the words that screens and pages share. May live here: words. May not: colours, layout."""

from collections.abc import Iterator, Sequence

from probe.active.documents import Attempt, Kind, LinkTraining, SpeedsDocument, SpeedStep, TrainingDocument
from probe.active.margining.document import MarginDocument
from probe.links.state import LinkState
from probe.render.units import duration, measured_rate

COLUMNS = ("training", "came of it", "state", "time", "what else")
SPEED_COLUMNS = ("speed", "supported", "trained", "carries", "clean", "ran at", "for")


def reasons_of(document: TrainingDocument | SpeedsDocument | MarginDocument) -> tuple[str, ...]:
    """Why a test that writes to hardware ended as it did, and whether all is as it was."""
    reasons = [f"{link.title}: {text}" for link in document.links for text in link.reasons]
    restored = "All is as it was." if document.restored else "NOT all is as it was."
    return (*document.reasons, *reasons, restored)


def time_of(attempt: Attempt) -> str:
    """How long a training took, as far as it is known."""
    if attempt.ms is not None:
        return f"{attempt.ms:.3g} ms"
    return "time not known" if attempt.below_ms is None else f"below {attempt.below_ms:.3g} ms"


def times(attempts: Sequence[Attempt]) -> str | None:
    """How long trainings took, over those whose time is known; None where none is."""
    known = sorted(attempt.ms for attempt in attempts if attempt.ms is not None)
    if not known:
        return None
    if len(known) == 1:
        return f"{known[0]:.3g} ms"
    return f"{known[0]:.3g} to {known[-1]:.3g} ms, median {known[len(known) // 2]:.3g} ms, over {len(known)}"


def unusual(link: LinkTraining) -> list[Attempt]:
    """The trainings that are worth a line of their own."""
    return [item for item in link.attempts if item.kind is not Kind.GOOD or item.errors or item.kernel]


def row(attempt: Attempt) -> tuple[str, ...]:
    """One training under COLUMNS."""
    state = str(LinkState(attempt.speed_gts, attempt.width))
    return (str(attempt.number), attempt.kind, state, time_of(attempt), "; ".join(_beside(attempt)))


def _beside(attempt: Attempt) -> Iterator[str]:
    yield from (f"{item.count} {item.error} ({item.end})" for item in attempt.errors or ())
    for end, lanes in attempt.lanes.items():
        yield f"lane {', '.join(map(str, lanes))} in error ({end})"
    if attempt.problem is not None:
        yield attempt.problem
    yield from attempt.kernel


def speed_row(step: SpeedStep) -> tuple[str, ...]:
    """One generation under SPEED_COLUMNS."""
    carried = _word(step.carries)
    if step.bytes_s:
        carried = f"{carried}, {measured_rate(step.bytes_s)}"
    told = (_word(step.trained), carried, _word(step.clean)) if step.supported else ("", "", "")
    state = str(step.state) if step.attempts else ""
    time = duration(step.seconds) if step.seconds else ""
    return (f"{step.speed_gts:g} GT/s", _word(step.supported), *told, state, time)


def _word(value: bool | None) -> str:  # noqa: FBT001 - a cell of the table
    return "not known" if value is None else "yes" if value else "no"
