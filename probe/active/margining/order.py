"""What `margin` is to do: from words on the command line to a plan and a run. May not: drawing; writing."""

from collections.abc import Sequence
from typing import Any

from probe.active.documents import PlannedWrite
from probe.active.guard import LIVE_DATA
from probe.active.margining.capabilities import bits_by_rate
from probe.active.margining.document import Limits, MarginDocument
from probe.active.margining.link import Choice
from probe.active.margining.preparation import AUTONOMOUS, SPEEDS_GTS
from probe.active.margining.running import Margining
from probe.active.margining.running import margin as carried_out
from probe.active.orders import Order, plan_of
from probe.active.planning import CAUTIONS, Intended, awake_writes, planned_link, register_write
from probe.active.preparing import Bench, Guarding
from probe.active.target import Target
from probe.errors.bit_error_ratio import upper_mean
from probe.exceptions import InputError
from probe.links.fact import value_of
from probe.registers.link import LinkControl, LinkStatus2
from probe.registers.margining import MarginingLaneControl
from probe.registers.model import Field
from probe.registers.values import LANES

_ENDS = {
    "port": frozenset({"port"}),
    "component": frozenset({"component"}),
    "retimer": frozenset({"retimer"}),
    "both": frozenset({"port", "component", "retimer"}),
}
_CONTROLS: tuple[tuple[Field[Any], str], ...] = (
    (LinkControl.aspm_control, "off"), *((field, "set") for field in AUTONOMOUS),
)  # fmt: skip
_CONFIDENCE = 0.95
_USUAL_STEPS, _MOST_STEPS = 100, 2 * 63 + 2 * 127
_SETUP_S = 0.2
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
) -> Order[MarginDocument]:
    """What `margin` is to do. Raises InputError for an end or lanes that there are none of."""
    if end not in _ENDS:
        raise InputError("no such end", where=f"--end {end}", remedy=f"choose among {', '.join(_ENDS)}")
    choice = Choice(
        ends=_ENDS[end], lanes=None if lanes is None else chosen_lanes(lanes), seconds=seconds,
        error_limit=error_limit, live_data=LIVE_DATA in accepted,
    )  # fmt: skip
    limits = Limits(at_least_ui=at_least_ui, at_least_volts=at_least_volts)
    task = Margining(tested.under_test, choice, limits)
    links = [
        planned_link(
            target, "lane margining at the receiver", guarding.walk(target, task.effect), _intended(target, choice)
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


def _intended(target: Target, choice: Choice) -> Intended:
    width = target.document.negotiated.width or 0
    lanes = [lane for lane in range(width) if choice.lanes is None or lane in choice.lanes]
    receivers = _receivers(target, choice)
    a_lane = choice.seconds + _SETUP_S
    controls = [
        register_write(end, field, new, "put back afterwards")
        for end in (target.component, target.port)
        for field, new in _CONTROLS
    ]
    commands = register_write(
        target.port, MarginingLaneControl.margin_payload, f"commands to {len(lanes)} lanes",
        "the same at the other end; every receiver goes back to normal settings",
    )  # fmt: skip
    return Intended(
        writes=(*awake_writes(target), *controls, _lane_write(commands)),
        usual_s=a_lane * _USUAL_STEPS * receivers,
        most_s=a_lane * _MOST_STEPS * receivers * max(len(lanes), 1),
        shows=_shows(target, choice),
    )


def _lane_write(commands: PlannedWrite) -> PlannedWrite:
    return PlannedWrite(
        what="Margining Lane Control", where=f"{commands.where.partition(',')[0]}, two bytes a lane", old=None,
        new=commands.new, meaning=commands.meaning,
    )  # fmt: skip


def _receivers(target: Target, choice: Choice) -> int:
    two = value_of(target.port.read(LinkStatus2.two_retimers_presence_detected))
    one = value_of(target.port.read(LinkStatus2.retimer_presence_detected))
    retimers = 4 if two else 2 if one else 0
    return len(choice.ends - {"retimer"}) + (retimers if "retimer" in choice.ends else 0)


def _shows(target: Target, choice: Choice) -> str:
    speed = target.document.negotiated.speed_gts
    if speed not in SPEEDS_GTS:
        return "lane margining is done at 16 and at 32 GT/s; at the speed it has now nothing will be measured"
    bits = bits_by_rate(speed or 0.0, choice.seconds, 63)
    ratio = upper_mean(0, _CONFIDENCE) / bits
    return f"a step without an error says: a bit error ratio below {ratio:.1e} there (95 %, if every bit is sampled)"
