"""What a measured link comes to: passed, failed or inconclusive, and why.

There is no pass limit of our own: a lane fails by the limits that a person gives, by being narrower than its fellows,
or by having no margin at all.
"""

from collections.abc import Iterator, Mapping, Sequence

import msgspec

from probe.active.margining.comparison import FEWEST_LANES, compared_sides, odd_lanes
from probe.active.margining.document import (
    SIDES,
    TIMING_SIDES,
    VOLTAGE_SIDES,
    LaneMargin,
    Limits,
    MarginDocument,
    MarginedLink,
    OddLane,
    ReceiverMargin,
    Settings,
    Side,
)
from probe.active.margining.link import LinkRun
from probe.active.margining.wording import grouped, worded
from probe.active.restoring import Leftover
from probe.active.target import Target
from probe.compare.rank import Rank
from probe.compare.tested import NotMeasured
from probe.counted import counted
from probe.evidence import Host
from probe.links.state import LinkState
from probe.result import Result, overall

_AT_32_GTS = (
    "at 32 GT/s it is not certain whether a receiver's range in unit intervals means those of 16 GT/s or those in force"
)
_NOMINAL = "unit intervals and volts are nominal: of a receiver it is only required that they grow with the steps"
_LOGICAL = "lanes are logical lanes; where the link is reversed, the physical ones are counted the other way round"


def margined_link(run: LinkRun, target: Target, limits: Limits) -> MarginedLink:
    """The link of a run that has ended."""
    at_32 = run.before.speed_gts == 32.0  # noqa: PLR2004 - GT/s
    measured = MarginedLink(
        **target.named, speed_gts=run.before.speed_gts, width=run.before.width, ended=run.ended,
        receivers=run.receivers, stopped=run.stopped, not_normal=run.not_normal,
        notes=(*run.notes, _NOMINAL, _LOGICAL, *((_AT_32_GTS,) if at_32 else ())),
    )  # fmt: skip
    return judged_anew(measured, limits)


def judged_anew(link: MarginedLink, limits: Limits) -> MarginedLink:
    """The link with its result and reasons by what was measured of it."""
    odd = tuple(item for receiver in link.receivers for item in odd_lanes(receiver))
    failures = [
        *_fell(link), *link.not_normal, *_below(link.receivers, limits), *_odd(odd, narrower=True), *_narrower(link),
    ]  # fmt: skip
    gaps = list(_gaps(link, limits))
    return msgspec.structs.replace(
        link, odd_lanes=odd, restored=not link.not_normal,
        result=Result.FAILED if failures else Result.INCONCLUSIVE if gaps else Result.PASSED,
        reasons=(*(tuple(dict.fromkeys((*failures, *gaps))) or _grounds(link, limits)), *_odd(odd, narrower=False)),
    )  # fmt: skip


def margin_document(
    host: Host,
    settings: Settings,
    links: Sequence[MarginedLink],
    leftovers: tuple[Leftover, ...],
    ended: Mapping[str, LinkState],
) -> MarginDocument:
    """The document of a run: `leftovers` could not be put back, `ended` is how the links run, by their port."""
    done = tuple(_settled(link, leftovers, ended.get(link.downstream_port, LinkState())) for link in links)
    return MarginDocument(
        host=host, settings=settings, links=done,
        result=Result.FAILED if leftovers else overall(tuple(link.result for link in done)),
        restored=all(link.restored for link in done) and not any(item.writable for item in leftovers),
        reasons=tuple(item.sentence() for item in leftovers), leftovers=leftovers,
    )  # fmt: skip


def _settled(link: MarginedLink, leftovers: Sequence[Leftover], ended: LinkState) -> MarginedLink:
    """The link with what could not be put back of it; what belongs to no single function is counted to each."""
    before = LinkState(link.speed_gts, link.width)
    link = msgspec.structs.replace(link, ended=ended, back=None if before == LinkState() else not _less(before, ended))
    ours = {None, link.downstream_port, link.upstream_port}
    own = tuple(item for item in leftovers if item.address in ours)
    if not own:
        return link
    restored = link.restored and not any(item.writable for item in own)  # what a link runs at was never written
    told = tuple(item.sentence() for item in own)
    return msgspec.structs.replace(link, restored=restored, result=Result.FAILED, reasons=(*told, *link.reasons))


def _odd(odd: Sequence[OddLane], *, narrower: bool) -> Iterator[str]:
    """Each lane that is narrower, or wider, than its fellows, with its distance from them each way."""
    which, off = ("narrower", "short of") if narrower else ("wider", "past")
    lanes: dict[tuple[int, int], list[OddLane]] = {}
    for item in odd:
        if item.narrower is narrower:
            lanes.setdefault((item.receiver, item.lane), []).append(item)
    for (receiver, lane), found in lanes.items():
        told = "; ".join(
            f"{worded(item.side)} {item.steps} steps, {abs(item.median_steps - item.steps):g} {off} their median "
            f"{item.median_steps:g} (median deviation {item.spread_steps:g})"
            for item in sorted(found, key=lambda item: SIDES.index(item.side))
        )
        yield f"receiver {receiver}, lane {lane} is {which} than its fellows: {told}"


def _less(before: LinkState, after: LinkState) -> bool:
    """The link does not run at what it ran at; False where the state before is not known."""
    if before.speed_gts is None or before.width is None:
        return False
    return (after.speed_gts or 0.0) < before.speed_gts or (after.width or 0) < before.width


def _fell(link: MarginedLink) -> Iterator[str]:
    before = LinkState(link.speed_gts, link.width)
    if _less(before, link.ended):
        now = "answered no more" if link.ended == LinkState() else f"ran at {link.ended}"
        yield f"the link ran at {before}, and {now} after the measuring"


def _sides(receivers: Sequence[ReceiverMargin]) -> Iterator[tuple[ReceiverMargin, LaneMargin, str, Side]]:
    for receiver in receivers:
        for lane in receiver.lanes:
            for name in SIDES:
                side = lane.side(name)
                if side is not None:
                    yield receiver, lane, name, side


def _limit_of(name: str, limits: Limits) -> float | None:
    return limits.at_least_ui if name in TIMING_SIDES else limits.at_least_volts if name in VOLTAGE_SIDES else None


def _reached(name: str, side: Side) -> float | None:
    return side.ui if name in TIMING_SIDES else side.volts


def _amount(name: str, value: float) -> str:
    return f"{value:.3f} UI" if name in TIMING_SIDES else f"{value * 1e3:.1f} mV"


def _below(receivers: Sequence[ReceiverMargin], limits: Limits) -> Iterator[str]:
    for receiver in receivers:
        yield from _at(receiver, _shut(receiver))
        yield from _at(receiver, _short(receiver, limits))


def _at(receiver: ReceiverMargin, said: Iterator[tuple[int, str]]) -> Iterator[str]:
    return (f"receiver {receiver.number}, {sentence}" for sentence in grouped(said))


def _shut(receiver: ReceiverMargin) -> Iterator[tuple[int, str]]:
    for lane in receiver.lanes:
        shut = [worded(name) for name in SIDES if (side := lane.side(name)) is not None and side.steps == 0]
        if shut:
            yield lane.lane, f"too many errors at the first step, so no margin ({', '.join(shut)})"


def _short(receiver: ReceiverMargin, limits: Limits) -> Iterator[tuple[int, str]]:
    for _, lane, name, side in _sides([receiver]):
        limit, reached = _limit_of(name, limits), _reached(name, side)
        if limit is not None and reached is not None and 0 < reached < limit and not side.at_least:
            amounts = f"{_amount(name, reached)}, below the limit of {_amount(name, limit)} that was given"
            yield lane.lane, f"{worded(name)}: {amounts}"


def _gaps(link: MarginedLink, limits: Limits) -> Iterator[str]:
    """What keeps a verdict from being reached."""
    if link.stopped is not None:
        yield link.stopped
    for receiver in link.receivers:
        if receiver.unmeasured is not None:
            yield f"receiver {receiver.number}: {receiver.unmeasured}"
        missing = ((lane.lane, lane.unmeasured) for lane in receiver.lanes if lane.unmeasured is not None)
        yield from _at(receiver, missing)
    if not any(True for _ in _sides(link.receivers)):
        yield "no lane was measured"
        return
    yield from _unreached_limits(link.receivers, limits)
    if limits == Limits() and not any(_compared_with(link)):
        yield f"no limit was given, and fewer than {FEWEST_LANES} lanes cannot be compared with each other"


def _compared_with(link: MarginedLink) -> Iterator[str]:
    """What the lanes were held against beside limits, each as what a pass says of it."""
    held = link.held_against
    if any(compared_sides(receiver) for receiver in link.receivers):
        yield "no lane is narrower than its fellows"
    if (
        held.earlier_at is not None
        and held.comparable
        and not any(isinstance(item, NotMeasured) for item in held.changes)
    ):
        yield f"no lane is narrower than in the record of {held.earlier_at}"
    if held.peers:
        most = max(item.links for item in held.peers)
        yield f"its middle lanes are not narrower than those of {counted(most - 1, 'link')} of its kind"


def _narrower(link: MarginedLink) -> Iterator[str]:
    """What is narrower than in the earlier record, or than links of its kind are."""
    held = link.held_against
    for change in held.changes:
        if change.rank is Rank.WORSE:
            yield f"narrower than in the record of {held.earlier_at}: {change.sentence}"
    for item in held.peers:
        if item.odd and item.narrower:
            short, of = _in(item.unit, item.median - item.value), counted(item.links, "link")
            yield (
                f"receiver {item.receiver}, {worded(item.side)}: the middle lane has {_in(item.unit, item.value)}, "
                f"{short} short of the median {_in(item.unit, item.median)} of {of} of its kind"
            )


def _in(unit: str, value: float) -> str:
    return f"{value * 1e3:.1f} mV" if unit == "V" else f"{value:.3g} {unit}"


def _unreached_limits(receivers: Sequence[ReceiverMargin], limits: Limits) -> Iterator[str]:
    for receiver in receivers:
        yield from _at(receiver, _beyond(receiver, limits))


def _beyond(receiver: ReceiverMargin, limits: Limits) -> Iterator[tuple[int, str]]:
    for _, lane, name, side in _sides([receiver]):
        limit, reached = _limit_of(name, limits), _reached(name, side)
        if limit is not None and reached is None:
            yield lane.lane, f"{worded(name)}: the receiver does not tell its range, so the limit cannot be applied"
        elif limit is not None and reached is not None and reached < limit and side.at_least:
            amounts = f"its range ends at {_amount(name, reached)}, below the limit of {_amount(name, limit)}"
            yield lane.lane, f"{worded(name)}: {amounts}"


def _grounds(link: MarginedLink, limits: Limits) -> tuple[str, ...]:
    """What a pass rests on."""
    given = "no limit was given" if limits == Limits() else "every lane reaches the limits that were given"
    return (*_compared_with(link), given)
