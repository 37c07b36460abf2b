"""Readings of active tests: trainings, speeds, lane margins."""

from collections.abc import Iterator

from probe.active.documents import LinkSpeeds, LinkTraining, SpeedsDocument, SpeedStep, TrainingDocument
from probe.active.margining.document import (
    TIMING_SIDES,
    VOLTAGE_SIDES,
    MarginDocument,
    MarginedLink,
    ReceiverMargin,
    Side,
)
from probe.active.margining.wording import worded
from probe.batch.contribution import Tested, Where
from probe.batch.readings import (
    CLEAN_SPEED,
    SHORT_TRAININGS,
    TIMING_MARGIN,
    VOLTAGE_MARGIN,
    Count,
    Key,
    Number,
    Reading,
    Word,
)
from probe.links.state import LinkState

TestDocument = TrainingDocument | SpeedsDocument | MarginDocument
TestedLink = LinkTraining | LinkSpeeds | MarginedLink
KINDS: dict[type, str] = {TrainingDocument: "train", SpeedsDocument: "speeds", MarginDocument: "margin"}


def test_readings(document: TestDocument) -> dict[Where, dict[Key, Reading]]:
    """By the address of the port, which is all that these documents say of a place."""
    return {Where(port=link.downstream_port): dict(_of(link)) for link in document.links}


def test_results(document: TestDocument) -> dict[Where, tuple[Tested, ...]]:
    """What the test said of each link; one that is not back as it was cannot wait."""
    kind = KINDS[type(document)]
    return {
        Where(port=link.downstream_port): (
            Tested(test=kind, result=link.result, reasons=link.reasons, urgent=link.back is False or not link.restored),
        )
        for link in document.links
    }


def _of(link: TestedLink) -> Iterator[tuple[Key, Reading]]:
    match link:
        case LinkTraining():
            if link.of:
                yield Key(SHORT_TRAININGS.name, link.way), Count(link.short, link.of, trials=True)
        case LinkSpeeds():
            yield from _fastest(link)
        case MarginedLink():
            for receiver in link.receivers:
                yield from _margins(receiver, LinkState(link.speed_gts, link.width))


def _fastest(link: LinkSpeeds) -> Iterator[tuple[Key, Reading]]:
    """The fastest speed that it trained to and was clean at; unknown where a faster one was not tried to its end."""
    for step in sorted(link.speeds, key=lambda step: -step.speed_gts):
        good = _good(step)
        if good is None:
            return
        if good:
            yield Key(CLEAN_SPEED.name), Word(f"{step.speed_gts:g} GT/s")
            return
    if link.speeds:
        yield Key(CLEAN_SPEED.name), Word("none")


def _good(step: SpeedStep) -> bool | None:
    if not step.supported or step.trained is False or step.carries is False or step.clean is False:
        return False
    return None if step.trained is None or step.clean is None else True


def _margins(receiver: ReceiverMargin, state: LinkState) -> Iterator[tuple[Key, Reading]]:
    made_with = f"receiver {receiver.number} at {state}"
    for measure, sides, unit in ((TIMING_MARGIN, TIMING_SIDES, "ui"), (VOLTAGE_MARGIN, VOLTAGE_SIDES, "volts")):
        found = [
            Number(
                value, value / side.steps if side.steps else _step(receiver, unit), f"lane {lane.lane} {worded(name)}"
            )
            for lane in receiver.lanes
            for name in sides
            if (side := lane.side(name)) is not None and (value := _value(side, unit)) is not None
        ]
        if found:
            yield Key(measure.name, made_with), min(found, key=lambda number: (number.value, number.at))


def _value(side: Side, unit: str) -> float | None:
    value: float | None = getattr(side, unit)
    return value


def _step(receiver: ReceiverMargin, unit: str) -> float:
    """What one step is, where none was passed."""
    capabilities = receiver.capabilities
    if capabilities is None:
        return 0.0
    return (capabilities.ui(1) if unit == "ui" else capabilities.volts(1)) or 0.0
