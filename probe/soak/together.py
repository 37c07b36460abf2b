"""What links carried at the same time, phase by phase: the sum of all, and over each link that several share. Pure.

Two devices behind one uplink cannot both fill their own links. Their sum is held against the link that they share.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.bandwidth.ceiling import Ceiling
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Pass
from probe.paths.between import Ends
from probe.soak.journal import PhaseSums
from probe.soak.rates import Rates, added

_Member = tuple[str, str, str]
"""Load, target and place id."""
_Moments = dict[int, dict[_Member, float]]
"""By number of the phase, by member: bytes a second."""


class Together(msgspec.Struct, frozen=True, kw_only=True):
    """The sum of what several targets carried in the phases of one name, bytes a second over all phases of the run.

    `over` is the link that they share, by its ends, and the ceiling is its own for what goes this way; None for all
    targets of the run, which may share nothing.
    """

    phase: str
    targets: tuple[str, ...]
    place_ids: tuple[str, ...] = msgspec.field(name="places")
    phases: int
    median_bytes_s: float
    least_bytes_s: float
    most_bytes_s: float
    over: Ends | None = None
    ceiling_bytes_s: int | None = None
    share: float | None = None


def together(
    passes: Iterable[Pass],
    links: Iterable[LinkDocument],
    kept: Iterable[PhaseSums] = (),
    rate_bytes_s: float | None = None,
) -> tuple[Together, ...]:
    """Every sum of two targets and more, of passes and of those that are kept of older ones.

    A rate that the person set, of each target, is the ceiling where all of them together come to less.
    """
    listed = list(links)
    by_ends = {(link.downstream_port, link.upstream_port): link for link in listed}
    groups: dict[tuple[str, Ends | None, tuple[_Member, ...]], list[Rates]] = defaultdict(list)
    for item in (*kept, *phase_sums(passes, listed)):
        groups[item.phase, item.over, item.members].append(item.rates)
    most: dict[tuple[str, Ends | None], int] = defaultdict(int)
    for phase, over, members in groups:
        most[phase, over] = max(most[phase, over], len(members))
    return tuple(
        _together(phase, over, members, added(rates), by_ends, rate_bytes_s)
        for (phase, over, members), rates in groups.items()
        if len(members) == most[phase, over]
    )


def _together(  # noqa: PLR0913, PLR0917 - what a sum is made of
    phase: str,
    over: Ends | None,
    members: Sequence[_Member],
    rates: Rates,
    by_ends: Mapping[Ends, LinkDocument],
    rate_bytes_s: float | None,
) -> Together:
    shared = None if over is None else by_ends.get(over)
    ceiling = None if shared is None else ceiling_of(shared.bandwidth.ceiling_bytes_s, phase)
    if ceiling is not None and rate_bytes_s is not None:
        ceiling = min(ceiling, int(rate_bytes_s * len(members)))
    return Together(
        phase=phase,
        targets=tuple(target for _, target, _ in members),
        place_ids=tuple(sorted({place_id for _, _, place_id in members})),
        phases=rates.count,
        median_bytes_s=rates.median,
        least_bytes_s=rates.least,
        most_bytes_s=rates.most,
        over=over,
        ceiling_bytes_s=ceiling,
        share=None if not ceiling else rates.median / ceiling,
    )


def phase_sums(passes: Iterable[Pass], links: Iterable[LinkDocument]) -> Iterator[PhaseSums]:
    """The sums of these passes: of all, and of those that share a link, over the phases that measured each of them.

    In a phase of one way, what goes the other way meanwhile is left out.
    """
    by_place = {link.place_id: link for link in links}
    moments: dict[str, _Moments] = defaultdict(lambda: defaultdict(dict))
    times: dict[str, list[float]] = defaultdict(list)
    for item in passes:
        against = {item.phase, item.direction} == {FROM_HOST, TO_HOST}
        measured = item.place_id and item.bytes and item.seconds > 0 and not against
        if measured and item.phase is not None and item.phase_number is not None:
            member = (item.load, item.target, item.place_id)
            moments[item.phase][item.phase_number][member] = item.bytes / item.seconds
            times[item.phase].append(item.t)
    for phase, seen in moments.items():
        everyone = sorted({member for moment in seen.values() for member in moment})
        groups = [(None, everyone), *_sharing(everyone, by_place).items()]
        for over, members in groups if len(everyone) > 1 else ():
            rates = [sum(moment[key] for key in members) for moment in seen.values() if moment.keys() >= set(members)]
            if rates:
                yield PhaseSums(
                    t=max(times[phase]), since=min(times[phase]), phase=phase, members=tuple(members), over=over,
                    rates=Rates.of(rates),
                )  # fmt: skip


def _sharing(everyone: Sequence[_Member], by_place: Mapping[str, LinkDocument]) -> dict[Ends, list[_Member]]:
    """The links on the way of several targets, and those targets; of several links for the same ones the narrowest."""
    on_the_way: dict[Ends, list[_Member]] = defaultdict(list)
    carries: dict[Ends, float] = {}
    for member in everyone:
        link = by_place.get(member[2])
        for step in () if link is None else link.path:
            ends = (step.downstream_port, step.upstream_port)
            on_the_way[ends].append(member)
            carries[ends] = float("inf") if step.bytes_s is None else float(step.bytes_s)
    narrowest: dict[tuple[_Member, ...], Ends] = {}
    for ends, members in on_the_way.items():
        if len(members) > 1:
            held = narrowest.setdefault(tuple(members), ends)
            narrowest[tuple(members)] = min(held, ends, key=lambda item: carries[item])
    return {ends: list(members) for members, ends in narrowest.items()}


def ceiling_of(ceiling: Ceiling, phase: str) -> int | None:
    """What a link can carry in a phase or direction; both ways at once the sum of the two. None where not known."""
    if phase == BOTH:
        return None if ceiling.to_host is None or ceiling.from_host is None else ceiling.to_host + ceiling.from_host
    return {TO_HOST: ceiling.to_host, FROM_HOST: ceiling.from_host}.get(phase)
