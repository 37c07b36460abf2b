"""A link held against its earlier record, and against links of its kind: of the same run, and in other results.

Of its kind: the same Downstream Port and component by vendor and device, the same speed. Each link is one value, that
of its middle lane, so that a wide link weighs no more than a narrow one. Fewer than four cannot say which is odd.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from statistics import median

import msgspec

from probe.active.margining.comparison import FEWEST_LANES
from probe.active.margining.document import (
    SIDES,
    TIMING_SIDES,
    AmongPeers,
    HeldAgainst,
    MarginDocument,
    MarginedLink,
    Settings,
    Side,
)
from probe.active.margining.earlier import margin_changes
from probe.compare.host import another_machine
from probe.compare.outlying import MOST_SCORE, middle_of
from probe.evidence import Host

_OWN = ""


class Measured(msgspec.Struct, frozen=True):
    """One link's margins: of which host, and how they were measured."""

    host: Host
    settings: Settings
    link: MarginedLink


def measured(documents: Iterable[MarginDocument]) -> Iterator[Measured]:
    """The links of these results."""
    return (Measured(item.host, item.settings, link) for item in documents for link in item.links)


def held_against(own: Measured, others: Sequence[Measured]) -> HeldAgainst:
    """What the others say of this link: its own newest earlier record, and those of its kind."""
    earlier = max((item for item in others if _is_same(own, item)), key=lambda item: item.host.taken_at, default=None)
    peers = _newest(item for item in others if _is_of_the_kind(own, item) and not _is_same(own, item))
    among = tuple(_among(own, peers))
    if earlier is None:
        return HeldAgainst(peers=among)
    comparable = earlier.settings.same_method(own.settings)
    changes = tuple(margin_changes(earlier.link, own.link, comparable=comparable))
    return HeldAgainst(earlier_at=earlier.host.taken_at, comparable=comparable, changes=changes, peers=among)


def _is_same(own: Measured, other: Measured) -> bool:
    """The same component in the same place of the same machine, for all that is known."""
    place = other.link.place_id == own.link.place_id != ""
    return place and not other.link.component.differs_from(own.link.component) and _is_one_host(own.host, other.host)


def _is_one_host(one: Host, other: Host) -> bool:
    known = one.machine_id is not None or one.name is not None
    return known and another_machine(one, other) is None and one.name == other.name


def _is_of_the_kind(own: Measured, other: Measured) -> bool:
    kind, other_kind = _kind(own.link), _kind(other.link)
    return None not in kind and kind == other_kind and own.settings.same_method(other.settings)


def _kind(link: MarginedLink) -> tuple[str | float | None, ...]:
    return link.port_kind, link.component.vendor_id, link.component.device_id, link.speed_gts


def _newest(found: Iterable[Measured]) -> list[Measured]:
    """The newest of each link, so that one that was measured often counts once."""
    newest: dict[tuple[str, str], Measured] = {}
    for item in sorted(found, key=lambda item: item.host.taken_at):
        newest[item.host.machine_id or item.host.name or "", item.link.place_id or item.link.downstream_port] = item
    return list(newest.values())


def _among(own: Measured, peers: Sequence[Measured]) -> Iterator[AmongPeers]:
    links = {_OWN: own.link, **{str(number): item.link for number, item in enumerate(peers)}}
    for receiver in own.link.receivers:
        for name in SIDES:
            sides = {key: found for key, link in links.items() if (found := _sides(link, receiver.number, name))}
            if _OWN not in sides:
                continue
            unit, values, step = _values(name, sides)
            if len(values) < FEWEST_LANES:
                continue
            middle = middle_of(list(values.values()))
            score = middle.score(values[_OWN], step)
            yield AmongPeers(
                receiver=receiver.number, side=name, unit=unit, value=values[_OWN], median=middle.median,
                spread=middle.deviation, score=round(abs(score), 2), links=len(values), odd=abs(score) > MOST_SCORE,
                narrower=score < 0,
            )  # fmt: skip


def _sides(link: MarginedLink, receiver: int, name: str) -> list[Side]:
    lanes = [lane for item in link.receivers if item.number == receiver for lane in item.lanes]
    return [side for lane in lanes if (side := lane.side(name)) is not None]


def _values(name: str, sides: Mapping[str, Sequence[Side]]) -> tuple[str, dict[str, float], float]:
    """The unit, the middle lane of each link, and a step of ours: by what steps stand for, where all tell it."""
    own = sides[_OWN]
    told = {
        key: [value for side in found if (value := _amount(name, side)) is not None] for key, found in sides.items()
    }
    if all(told.values()):
        step = max((value / side.steps for side in own if side.steps and (value := _amount(name, side))), default=0.0)
        unit = "UI" if name in TIMING_SIDES else "V"
        return unit, {key: float(median(found)) for key, found in told.items()}, step
    alike = {key: found for key, found in sides.items() if found[0].of_steps == own[0].of_steps}
    return "steps", {key: float(median(side.steps for side in found)) for key, found in alike.items()}, 1.0


def _amount(name: str, side: Side) -> float | None:
    return side.ui if name in TIMING_SIDES else side.volts
