"""What `margin` is to do: from words on the command line to a plan and a run. May not: drawing; writing."""

from collections.abc import Sequence

from probe.active.guard import LINK_LOSS, LIVE_DATA
from probe.active.margining.document import Limits, MarginDocument
from probe.active.margining.link import Choice
from probe.active.margining.planning import check_speed, intended_margin, told
from probe.active.margining.running import Margining
from probe.active.margining.running import margin as carried_out
from probe.active.orders import Order, plan_of
from probe.active.planning import CAUTIONS, planned_link
from probe.active.preparing import Bench, Guarding
from probe.exceptions import InputError
from probe.registers.values import LANES

_ENDS = {
    "port": frozenset({"port"}),
    "component": frozenset({"component"}),
    "retimer": frozenset({"retimer"}),
    "both": frozenset({"port", "component", "retimer"}),
}
_CAUTION = """A receiver without a sampler of its own for errors is measured by moving the point at which live data is
    sampled: that causes replays, and may cause errors that nothing corrects."""


def margin_order(  # noqa: PLR0913 - what a person may set
    tested: Bench,
    guarding: Guarding,
    accepted: Sequence[str],
    *,
    end: str,
    seconds: float,
    error_limit: int,
    lanes: str | None,
    at_least_ui: float | None,
    at_least_volts: float | None,
    earlier: Sequence[MarginDocument] = (),
) -> Order[MarginDocument]:
    """What `margin` is to do. Raises InputError for an end or lanes that there are none of, and for other speeds."""
    if end not in _ENDS:
        raise InputError("no such end", where=f"--end {end}", remedy=f"choose among {', '.join(_ENDS)}")
    choice = Choice(
        ends=_ENDS[end], lanes=None if lanes is None else chosen_lanes(lanes), seconds=seconds,
        error_limit=error_limit, live_data=LIVE_DATA in accepted,
    )  # fmt: skip
    limits = Limits(at_least_ui=at_least_ui, at_least_volts=at_least_volts)
    task = Margining(tested.under_test, choice, limits, tuple(earlier), may_retrain=LINK_LOSS in accepted)
    for target in task.under_test:
        check_speed(target)
    links = [
        planned_link(
            target, told(choice, target), guarding.walk(target, task.effect),
            intended_margin(tested.source, target, choice),
        )
        for target in task.under_test
    ]  # fmt: skip
    effects = tuple((target, task.effect) for target in task.under_test)
    return Order(
        plan_of("margin", tested, links, (*CAUTIONS, _CAUTION)), guarding, effects,
        lambda tell: carried_out(tested, guarding, task, tell),
    )  # fmt: skip


def chosen_lanes(text: str) -> frozenset[int]:
    """The lanes that `0-3` or `0,5` names. Raises InputError."""
    found: set[int] = set()
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()) or len(part) > len("31-31"):
            raise InputError("names no lanes", where=f"--lanes {text}", remedy="write them as 0-3 or 0,5")
        found.update(range(int(first), int(last or first) + 1))
    if not found or max(found) >= LANES:
        raise InputError("names no lanes of a link", where=f"--lanes {text}", remedy=f"lanes are 0 to {LANES - 1}")
    return frozenset(found)
