"""A lane's margin held against an earlier one of the same lane: what differs by more than two measurings lie apart.

A margin is known to a step, and errors near its edge come by chance: two measurings of one lane may lie a step apart,
and a tenth of the margin (our own choice, no published source).
"""

from collections.abc import Iterator

from probe.active.margining.document import (
    SIDES,
    TIMING_SIDES,
    LaneMargin,
    MarginedLink,
    ReceiverMargin,
    Settings,
    Side,
)
from probe.active.margining.wording import lanes_in_words, worded
from probe.compare.tested import MarginChanged, NotMeasured, WayChanged

TEST = "margin"
_LEAST_STEPS, _LEAST_SHARE = 1.0, 0.1


def margin_changes(then: MarginedLink, now: MarginedLink, *, comparable: bool) -> Iterator[MarginChanged | NotMeasured]:
    """Each lane of a link that is another one than before, and what cannot be compared."""
    if then.speed_gts != now.speed_gts:
        why = f"at {_speed(then)} before, at {_speed(now)} now"
        yield NotMeasured(place=now.title, test=TEST, what="margins", why=why)
        return
    receivers = {receiver.number: receiver for receiver in then.receivers}
    for receiver in now.receivers:
        if receiver.number in receivers:
            yield from _receiver(now.title, receivers[receiver.number], receiver, comparable=comparable)


def method_note(before: Settings, after: Settings) -> Iterator[str]:
    """What to say where two measurings were done in other ways."""
    if not before.same_method(after):
        ways = (f"{item.seconds:g} s and a limit of {item.error_limit}" for item in (before, after))
        told = " before, ".join(ways)
        yield f"Measured otherwise ({told} now): a margin depends on both, so a difference need be none of the lane."


def _receiver(
    place: str, then: ReceiverMargin, now: ReceiverMargin, *, comparable: bool
) -> Iterator[MarginChanged | NotMeasured]:
    earlier = {lane.lane: lane for lane in then.lanes}
    lost: dict[str, list[int]] = {}
    for lane in now.lanes:
        if lane.lane not in earlier:
            continue
        ways = tuple(_ways(earlier[lane.lane], lane))
        if ways:
            yield MarginChanged(
                place=place, test=TEST, receiver=now.number, lane=lane.lane, ways=ways, comparable=comparable
            )
        for name in _lost(earlier[lane.lane], lane):
            lost.setdefault(f"{worded(name)} measured before only", []).append(lane.lane)
    if then.lanes and not now.lanes:
        yield NotMeasured(place=place, test=TEST, what=f"receiver {now.number}", why="measured before only")
    for why, lanes in lost.items():
        yield NotMeasured(place=place, test=TEST, what=f"receiver {now.number}, {lanes_in_words(lanes)}", why=why)


def _lost(then: LaneMargin, now: LaneMargin) -> Iterator[str]:
    return (name for name in SIDES if then.side(name) is not None and now.side(name) is None)


def _ways(then: LaneMargin, now: LaneMargin) -> Iterator[WayChanged]:
    for name in SIDES:
        before, after = then.side(name), now.side(name)
        if before is not None and after is not None:
            change = way_changed(name, before, after)
            if change is not None:
                yield change


def way_changed(name: str, before: Side, after: Side) -> WayChanged | None:
    """One way that differs by more than two measurings lie apart; None where it does not, or cannot be compared.

    In steps where the receiver has the same ones, else in what they stand for.
    """
    scales = {_scale(name, before), _scale(name, after)} - {None}
    if before.of_steps == after.of_steps and len(scales) <= 1:
        return _beyond(name, "steps", before, after, (float(before.steps), float(after.steps), 1.0))
    one, other = _amount(name, before), _amount(name, after)
    if one is None or other is None:
        return None
    step = max((scale for scale in scales if scale is not None), default=0.0)
    return _beyond(name, "UI" if name in TIMING_SIDES else "V", before, after, (one, other, step))


def _beyond(name: str, unit: str, before: Side, after: Side, values: tuple[float, float, float]) -> WayChanged | None:
    one, other, step = values
    if abs(other - one) <= max(_LEAST_STEPS * step, _LEAST_SHARE * one):
        return None
    return WayChanged(
        side=name, unit=unit, before=one, after=other, before_at_least=before.at_least, after_at_least=after.at_least
    )


def _amount(name: str, side: Side) -> float | None:
    return side.ui if name in TIMING_SIDES else side.volts


def _scale(name: str, side: Side) -> float | None:
    """What a step is, nominally; None where the receiver does not tell, or no step passed."""
    amount = _amount(name, side)
    return None if amount is None or not side.steps else round(amount / side.steps, 9)


def _speed(link: MarginedLink) -> str:
    return "a speed not known" if link.speed_gts is None else f"{link.speed_gts:g} GT/s"
