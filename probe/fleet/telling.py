"""A chronicle told as rows: what the questions are put to. Pure; the same chronicle gives the same rows."""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import pairwise

import msgspec

from probe.fleet.boots import PlacedBoot, overlap, placed
from probe.fleet.chronicle import Chronicle, HostFacts, LinkSeen
from probe.fleet.growth import Growth, Rise, Watch, growth
from probe.fleet.rows import OF_HOSTS, QUIET, BeatRow, HostRow, LinkRow, OccupantRow, ResultRow, RiseRow, Row
from probe.fleet.sequence import Occupant, Stretch, is_filled, occupants, stretches
from probe.verdict.verdicts import BELOW_CAPABILITY, Verdict

_DAY_S = 86_400


def rows_of(chronicle: Chronicle, *, quiet: bool = False) -> dict[str, list[Row]]:
    """Every row of a host but its chronicle; `quiet`: only those that change where nothing new was seen."""
    order = placed(chronicle.boots)
    found: dict[str, list[Row]] = {kind: [] for kind in OF_HOSTS if not quiet or kind in QUIET}
    facts = facts_of(chronicle, order)
    if order:
        found["hosts"] = [_host(chronicle, order, facts)]
        found["beats"] = list(_beats(chronicle.host, order))
    if quiet:
        return found
    for place_id in sorted({name for item in order for name in item.boot.links}):
        _place(found, chronicle, order, facts, place_id)
    found["results"] = list(_results(chronicle, order, facts))
    return found


def facts_of(chronicle: Chronicle, order: Sequence[PlacedBoot]) -> HostFacts:
    """What the host is, by the last that was read of each."""
    told = HostFacts()
    for item in order:
        for _, _, number in item.boot.facts:
            seen = chronicle.facts[number]
            told = HostFacts(seen.name or told.name, seen.board or told.board, seen.product or told.product, seen.links)
    return told


def _host(chronicle: Chronicle, order: Sequence[PlacedBoot], facts: HostFacts) -> HostRow:
    return HostRow(
        host=chronicle.host,
        name=name_of(chronicle, facts),
        board=facts.board,
        product=facts.product,
        first_s=order[0].at(order[0].boot.moments[0]),
        last_s=order[-1].end_s,
        usual_gap_s=_usual_gap_s(order),
        boots=len(order),
        snapshots=sum(len(item.boot.moments) + sum(item.boot.dropped.values()) for item in order),
        links=facts.links,
        odd_clock=any(item.odd for item in order),
        twins=overlap(order),
    )


def name_of(chronicle: Chronicle, facts: HostFacts) -> str:
    """What people call the host."""
    return facts.name or chronicle.host


_LATELY = 64


def _usual_gap_s(order: Sequence[PlacedBoot]) -> int | None:
    """The middle one of the last times between snapshots of one boot."""
    gaps: list[int] = []
    for item in reversed(order):
        moments, dropped = item.boot.moments[-_LATELY:], item.boot.dropped
        gaps += [(later - earlier) // (1 + dropped.get(earlier, 0)) for earlier, later in pairwise(moments)]
        if len(gaps) >= _LATELY:
            break
    return sorted(gaps)[len(gaps) // 2] // 100 if gaps else None


def _beats(host: str, order: Sequence[PlacedBoot]) -> Iterator[BeatRow]:
    days: dict[int, tuple[int, int, int]] = {}
    for item in order:
        dropped = item.boot.dropped
        for moment in item.boot.moments:
            at_s = item.at(moment)
            first, last, count = days.get(at_s // _DAY_S, (at_s, at_s, 0))
            count += 1 + (dropped.get(moment, 0) if dropped else 0)
            days[at_s // _DAY_S] = (min(first, at_s), max(last, at_s), count)
    for day, (first, last, count) in sorted(days.items()):
        yield BeatRow(host=host, day_s=day * _DAY_S, first_s=first, last_s=last, snapshots=count)


def _place(
    found: dict[str, list[Row]], chronicle: Chronicle, order: Sequence[PlacedBoot], facts: HostFacts, place_id: str
) -> None:
    seen = stretches(chronicle, order, place_id)
    who = occupants(seen)
    grown = growth(chronicle, order, place_id, seen, who)
    common = {"host": chronicle.host, "name": name_of(chronicle, facts), "board": facts.board, "place_id": place_id}
    found["links"] += _links(order, seen, who, common)
    found["occupants"] += _occupants(order, seen, who, grown, common)
    found["rises"] += (_rise(rise, seen[-1].seen, common) for rise in grown.rises)


def _links(
    order: Sequence[PlacedBoot], seen: Sequence[Stretch], who: Sequence[Occupant | None], common: dict[str, str | None]
) -> Iterator[LinkRow]:
    """Stretches that show the same, with nothing else between, are one row."""
    start = 0
    for index, stretch in enumerate(seen):
        following = seen[index + 1] if index + 1 < len(seen) else None
        if following is not None and _goes_on(order, stretch, following) and who[index] is who[index + 1] and (
            _as_told(stretch.seen) == _as_told(following.seen)
        ):  # fmt: skip
            continue
        begin, link, occupant = seen[start], stretch.seen, who[index]
        is_open = stretch.boot == len(order) - 1 and stretch.last == order[-1].boot.moments[-1]
        yield LinkRow(
            **common,  # type: ignore[arg-type] # the host's and the place's own
            place=link.place,
            address=link.address,
            component=occupant.component if occupant else None,
            kind=occupant.kind if occupant else None,
            identity=occupant.identity if occupant else None,
            verdict=link.verdict,
            standing=link.standing,
            alarming=link.alarming,
            silent=link.silent,
            speed_gts=link.speed_gts,
            width=link.width,
            possible_speed_gts=link.possible_speed_gts,
            possible_width=link.possible_width,
            reason=link.reason,
            from_s=order[begin.boot].at(begin.first),
            to_s=None if is_open else order[stretch.boot].at(stretch.last),
        )
        start = index + 1


def _as_told(seen: LinkSeen) -> LinkSeen:
    """A link without what its occupant tells better."""
    return msgspec.structs.replace(seen, component=None, kind=None, subsystem=None, serial=None)


def _goes_on(order: Sequence[PlacedBoot], one: Stretch, other: Stretch) -> bool:
    """Whether the host was not seen otherwise between the two."""
    if one.boot == other.boot:
        moments = order[one.boot].boot.moments
        return _follows(moments, one.last, other.first)
    is_next = other.boot == one.boot + 1
    return is_next and order[one.boot].boot.moments[-1] == one.last and order[other.boot].boot.moments[0] == other.first


def _follows(moments: Sequence[int], one: int, other: int) -> bool:
    place = bisect_right(moments, one)
    return place < len(moments) and moments[place] == other


def _occupants(
    order: Sequence[PlacedBoot], seen: Sequence[Stretch], who: Sequence[Occupant | None], grown: Growth,
    common: dict[str, str | None],
) -> Iterator[OccupantRow]:  # fmt: skip
    watches = {id(watch.occupant): watch for watch in grown.watches}
    mine: dict[int, tuple[Occupant, list[Stretch]]] = {}
    for stretch, occupant in zip(seen, who, strict=True):
        if occupant is not None and is_filled(stretch.seen):
            mine.setdefault(id(occupant), (occupant, []))[1].append(stretch)
    for key, (occupant, here) in mine.items():
        first, last = here[0], here[-1]
        is_open = last.boot == len(order) - 1 and last.last == order[-1].boot.moments[-1]
        short = {stretch.boot for stretch in here if Verdict(stretch.seen.verdict) in BELOW_CAPABILITY}
        watch = watches.get(key, Watch(occupant))
        yield OccupantRow(
            **common,  # type: ignore[arg-type] # the host's and the place's own
            place=last.seen.place,
            standing=last.seen.standing,
            component=occupant.component,
            kind=occupant.kind,
            identity=occupant.identity,
            from_s=order[first.boot].at(first.first),
            to_s=None if is_open else order[last.boot].at(last.last),
            boots=len({stretch.boot for stretch in here}),
            short=len(short),
            watched_s=watch.seconds,
            watched_since_s=watch.since_s,
        )


def _rise(rise: Rise, seen: LinkSeen, common: dict[str, str | None]) -> RiseRow:
    return RiseRow(
        **common,  # type: ignore[arg-type] # the host's and the place's own
        place=seen.place,
        address=seen.address,
        component=rise.occupant.component if rise.occupant else None,
        identity=rise.occupant.identity if rise.occupant else None,
        severity=rise.severity,
        family=rise.family,
        events=rise.events,
        since_s=rise.since_s,
        until_s=rise.until_s,
        at_least=rise.at_least,
    )


def _results(chronicle: Chronicle, order: Sequence[PlacedBoot], facts: HostFacts) -> Iterator[ResultRow]:
    """What tests said; a test that names a link by address alone means the place that has it now."""
    last = {
        place_id: chronicle.links[track[-1][2]]
        for item in order
        for place_id, track in item.boot.links.items()
        if track
    }  # fmt: skip
    by_address = {seen.address: place_id for place_id, seen in last.items()}
    for tested in sorted(chronicle.results.values(), key=lambda item: (item.wall_s, item.test)):
        for link in tested.links:
            place_id = link.place_id or by_address.get(link.place, "")
            seen = last.get(place_id)
            yield ResultRow(
                host=chronicle.host,
                name=name_of(chronicle, facts),
                board=facts.board,
                place_id=place_id,
                place=seen.place if seen is not None else link.place,
                kind=seen.kind if seen is not None else None,
                test=tested.test,
                taken_s=tested.wall_s,
                result=link.result,
                reasons="; ".join(link.reasons) or None,
                margin_ui=link.margin_ui,
                margin_volts=link.margin_volts,
                trainings=link.trainings,
                trainings_short=link.trainings_short,
            )
