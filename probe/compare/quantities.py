"""What is compared of a link: one ordered table, each row with its own test of worse and better.

May live here: the values of a link that a comparison looks at, how two of them rank, and their words. May not: what is
in a place (presence), what was counted (growth).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import msgspec

from probe.audit.document import LinkDocument
from probe.compare.comparable import Place
from probe.compare.rank import Rank
from probe.compare.removal import Way
from probe.links.kind_of_link import KindOfLink
from probe.links.link import WhichEnd
from probe.verdict.verdicts import Verdict

AtEnds = dict[WhichEnd, tuple[int | str, ...]]
Value = bool | int | float | str | AtEnds


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One row. `seen` gives the parts that were read; `value` the value of those parts, never asked for none.

    `of_component` is no more compared where another component came; `restless` where the link rests in either snapshot.
    """

    name: str
    seen: Callable[[LinkDocument], frozenset[Any]]
    value: Callable[[LinkDocument, frozenset[Any]], Value]
    rank: Callable[[Any, Any], Rank]
    said: Callable[[str, Any, Any], str]
    of_component: bool = True
    restless: bool = False
    alarms: bool = True


class QuantityChanged(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="quantity"):
    """A value of a link is another one; both were read. `by_rest` says that all it tells is that the link rests."""

    place: str
    name: str
    before: Value
    after: Value
    rank: Rank
    by_rest: bool = False

    @property
    def kind(self) -> str:
        """The quantity."""
        return self.name

    @property
    def urgent(self) -> bool:
        """A component that stopped answering cannot wait, nor a port that contained an error."""
        return self.name in {ANSWERS, CONTAINED} and self.rank is Rank.WORSE

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return BY_NAME[self.name].said(self.name, self.before, self.after)

    @property
    def evidence(self) -> str:
        """Both values."""
        return f"{self.name}: {text(self.before)} before, {text(self.after)} after"


def changed(before: Place, after: Place, *, same_component: bool) -> Iterator[QuantityChanged]:
    """The quantities of one place that differ, of what was read both times."""
    then, now = before.link, after.link
    rests = before.rests or after.rests
    slot = KindOfLink.SLOT in {then.kind, now.kind}
    for row in QUANTITIES:
        if row.of_component and not same_component:
            continue
        both = row.seen(then).intersection(row.seen(now))
        if not both:
            continue
        old, new = row.value(then, both), row.value(now, both)
        if old != new:
            quiet = (rests and row.restless) or (row.alarms and not slot)
            rank = Rank.NEUTRAL if quiet else row.rank(old, new)
            by_rest = rests and rank is Rank.NEUTRAL and (row.restless or row.name == VERDICT)
            yield QuantityChanged(
                place=after.title, name=row.name, before=old, after=new, rank=rank, by_rest=by_rest
            )  # fmt: skip


def only_in(one: Place, other: Place) -> tuple[str, ...]:
    """The quantities that can be for the worse, of which something was read in one snapshot and not in the other."""
    return tuple(
        row.name for row in QUANTITIES if row.rank is not _neither and row.seen(one.link) - row.seen(other.link)
    )


def text(value: Value) -> str:
    """A value in words, as evidence has it."""
    match value:
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{value:g} GT/s"
        case dict():
            parts = [f"{end}: {', '.join(map(str, marks))}" for end, marks in sorted(value.items()) if marks]
            return "; ".join(parts) or "none"
        case _:
            return str(value)


def _less_is_worse(before: float, after: float) -> Rank:
    return Rank.WORSE if after < before else Rank.BETTER


def _marks(value: AtEnds) -> frozenset[tuple[WhichEnd, int | str]]:
    return frozenset((end, mark) for end, marks in value.items() for mark in marks)


def _more_is_worse(before: AtEnds, after: AtEnds) -> Rank:
    return Rank.WORSE if _marks(after) - _marks(before) else Rank.BETTER


def _fewer_is_worse(before: AtEnds, after: AtEnds) -> Rank:
    return Rank.WORSE if _marks(before) - _marks(after) else Rank.BETTER


def _below_is_worse(before: Verdict, after: Verdict) -> Rank:
    was, now = before.below_capability, after.below_capability
    return Rank.NEUTRAL if was == now else Rank.WORSE if now else Rank.BETTER


def _silence_is_worse(_: bool, after: bool) -> Rank:  # noqa: FBT001 - one test of many of one shape
    return Rank.BETTER if after else Rank.WORSE


def _neither(_: object, __: object) -> Rank:
    return Rank.NEUTRAL


def _fell_or_rose(name: str, before: float, after: float) -> str:
    return f"{name} {'fell' if after < before else 'rose'} from {_state(before)} to {_state(after)}"


def _state(value: float) -> str:
    return f"x{value}" if isinstance(value, int) else text(value)


def _was_is(_: str, before: Verdict, after: Verdict) -> str:
    return f"was {before}, is {after}"


def _before_now(name: str, before: Value, after: Value) -> str:
    return f"{name}: {text(before)} before, {text(after)} now"


def _completed(_: str, before: AtEnds, after: AtEnds) -> str:
    old, new = ("no rate" if text(value) == "none" else text(value) for value in (before, after))
    return f"equalization complete at {old} before, at {new} now (GT/s)"


def _more_is_fault(_: bool, after: bool) -> Rank:  # noqa: FBT001 - one test of many of one shape
    return Rank.WORSE if after else Rank.BETTER


def _containing(_: str, __: bool, after: bool) -> str:  # noqa: FBT001 - one test of many of one shape
    return "the port cut the link off to contain an error" if after else "the port no longer holds the link down"


def _power_failing(_: str, __: bool, after: bool) -> str:  # noqa: FBT001 - one test of many of one shape
    seen = "the slot's power controller detected a power fault"
    return seen if after else "the power fault of the slot was cleared"


def _answering(_: str, __: bool, after: bool) -> str:  # noqa: FBT001 - one test of many of one shape
    return "the component answers again" if after else "the component no longer answers"


def _from_to(name: str, before: Value, after: Value) -> str:
    return f"{name} changed from {text(before)} to {text(after)}"


_THERE = frozenset({"value"})
_NOT_READ: frozenset[str] = frozenset()


def _plain(  # noqa: PLR0913 - a row has as many columns
    name: str, get: Callable[[LinkDocument], Value | None], rank: Callable[[Any, Any], Rank],
    said: Callable[[str, Any, Any], str], *, of_component: bool = True, restless: bool = False, alarms: bool = True,
) -> Quantity:  # fmt: skip
    """A row of one value, which was read or was not."""

    def value(link: LinkDocument, _: frozenset[Any]) -> Value:
        found = get(link)
        if found is None:
            raise TypeError(name)
        return found

    return Quantity(
        name=name, seen=lambda link: _NOT_READ if get(link) is None else _THERE, value=value, rank=rank, said=said,
        of_component=of_component, restless=restless, alarms=alarms,
    )  # fmt: skip


def _lanes(link: LinkDocument, ends: frozenset[WhichEnd]) -> AtEnds:
    return {end: link.lanes_in_error[end] for end in WhichEnd if end in ends}


def _rates_told(link: LinkDocument) -> frozenset[tuple[WhichEnd, str]]:
    return frozenset((end, rate) for end, rates in link.equalization.items() for rate in rates)


def _rates(link: LinkDocument, told: frozenset[tuple[WhichEnd, str]]) -> AtEnds:
    return {
        end: tuple(rate for rate, complete in rates.items() if complete and (end, rate) in told)
        for end, rates in sorted(link.equalization.items())
        if end in {end for end, _ in told}
    }


def _there(get: Callable[[LinkDocument], Value | None]) -> Callable[[LinkDocument], Value | None]:
    """Of a place with a component that answers; an empty one has no such value."""
    return lambda link: None if link.component is None or link.silent else get(link)


def _driver(link: LinkDocument) -> str | None:
    component = link.component
    if component is None or link.silent or component.vendor_id is None:
        return None
    return component.driver or "none"


ANSWERS, VERDICT, SPEED, WIDTH, LANES = "answers", "verdict", "speed", "width", "lanes in error"
CONTAINED, POWER_FAULT = Way.CONTAINMENT.value, Way.POWER_FAULT.value

QUANTITIES: tuple[Quantity, ...] = (
    _plain(ANSWERS, lambda link: None if link.component is None else not link.silent, _silence_is_worse, _answering,
           alarms=False),
    _plain(CONTAINED, lambda link: link.contained, _more_is_fault, _containing, of_component=False, alarms=False),
    _plain(POWER_FAULT, lambda link: link.power_fault_detected, _more_is_fault, _power_failing, of_component=False),
    _plain(VERDICT, _there(lambda link: None if link.verdict is Verdict.UNJUDGED else link.verdict), _below_is_worse,
           _was_is),
    _plain(SPEED, _there(lambda link: link.negotiated.speed_gts), _less_is_worse, _fell_or_rose, restless=True),
    _plain(WIDTH, _there(lambda link: link.negotiated.width), _less_is_worse, _fell_or_rose, restless=True),
    Quantity(name=LANES, seen=lambda link: frozenset(link.lanes_in_error), value=_lanes, rank=_more_is_worse,
             said=_before_now),
    Quantity(name="equalization", seen=_rates_told, value=_rates, rank=_fewer_is_worse, said=_completed,
             restless=True),
    _plain("Target Link Speed", lambda link: link.target_gts, _neither, _from_to, of_component=False),
    _plain("Max_Payload_Size", lambda link: link.bandwidth.max_payload_size, _neither, _from_to),
    _plain("Max_Read_Request_Size", lambda link: link.bandwidth.max_read_request_size, _neither, _from_to),
    _plain("ASPM", lambda link: link.aspm, _neither, _from_to),
    _plain("driver", _driver, _neither, _from_to),
)  # fmt: skip
"""In the order in which they are told."""

BY_NAME = {row.name: row for row in QUANTITIES}
