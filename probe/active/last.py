"""The last result of each test at each link, in the few figures that monitoring asks for."""

from collections.abc import Iterable
from datetime import UTC, datetime

import msgspec

from probe.active.comparing import ResultDocument, ResultLink, command_of
from probe.active.documents import LinkTraining
from probe.active.margining.document import TIMING_SIDES, VOLTAGE_SIDES, MarginedLink
from probe.result import Result


class LastResult(msgspec.Struct, frozen=True, kw_only=True):
    """What a test last said of a link. `whole`: all that was written is back, and the link runs as it did.

    `trainings` and `short` are of `train`; the margins are the least of any lane measured, of `margin`. None is not
    measured, or not told by the receiver.
    """

    test: str
    place_id: str
    taken_s: float
    result: Result
    whole: bool
    trainings: int | None = None
    short: int | None = None
    margin_ui: float | None = None
    margin_volts: float | None = None


def last_of(document: ResultDocument) -> tuple[LastResult, ...]:
    """The results of a document's links. A time that cannot be read is 0."""
    taken = _seconds(document.host.taken_at)
    return tuple(_of(link, command_of(document), taken) for link in document.links if link.place_id)


def joined(earlier: Iterable[LastResult], later: Iterable[LastResult]) -> tuple[LastResult, ...]:
    """Of each test at each link the later one."""
    found = {(item.test, item.place_id): item for item in (*earlier, *later)}
    return tuple(found[key] for key in sorted(found))


def _of(link: ResultLink, test: str, taken_s: float) -> LastResult:
    trainings, short = (link.of, link.short) if isinstance(link, LinkTraining) else (None, None)
    return LastResult(
        test=test, place_id=link.place_id, taken_s=taken_s, result=link.result,
        whole=link.restored and link.back is not False,
        trainings=trainings, short=short,
        margin_ui=_least(link, TIMING_SIDES), margin_volts=_least(link, VOLTAGE_SIDES),
    )  # fmt: skip


def _least(link: ResultLink, names: Iterable[str]) -> float | None:
    if not isinstance(link, MarginedLink):
        return None
    lanes = [lane for receiver in link.receivers for lane in receiver.lanes]
    sides = [side for name in names for lane in lanes if (side := lane.side(name)) is not None]
    amounts = (side.ui if side.ui is not None else side.volts for side in sides)
    return min((amount for amount in amounts if amount is not None), default=None)


def _seconds(taken_at: str) -> float:
    try:
        moment = datetime.fromisoformat(taken_at)
    except ValueError:
        return 0.0
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
