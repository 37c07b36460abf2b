"""What links carried at the same time, phase by phase: the sum of all, and over each link that several share. Pure.

Two devices behind one uplink cannot both fill their own links. Their sum is held against the link that they share.
"""

import statistics
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain

import msgspec

from probe.audit.document import LinkDocument
from probe.bandwidth.ceiling import Ceiling
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Pass
from probe.paths.between import Ends

_Rates = dict[int, dict[tuple[str, str], float]]
"""By number of the phase, by load and target: bytes a second."""


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


def together(passes: Iterable[Pass], links: Iterable[LinkDocument]) -> tuple[Together, ...]:
    """Every sum of two targets and more."""
    listed = list(links)
    by_place = {link.place_id: link for link in listed}
    by_ends = {(link.downstream_port, link.upstream_port): link for link in listed}
    seen: dict[str, _Rates] = defaultdict(lambda: defaultdict(dict))
    places: dict[tuple[str, str], str] = {}
    for item in passes:
        if item.phase is not None and item.phase_number is not None and item.place_id and item.seconds > 0:
            key = (item.load, item.target)
            places[key] = item.place_id
            seen[item.phase][item.phase_number][key] = item.bytes / item.seconds
    return tuple(chain.from_iterable(_of_phase(phase, seen[phase], places, by_place, by_ends) for phase in seen))


def _of_phase(
    phase: str,
    rates: _Rates,
    places: Mapping[tuple[str, str], str],
    by_place: Mapping[str, LinkDocument],
    by_ends: Mapping[Ends, LinkDocument],
) -> Iterator[Together]:
    everyone = sorted({key for moment in rates.values() for key in moment})
    if len(everyone) < 2:  # noqa: PLR2004 - one alone is no sum
        return
    yield from _sum(phase, everyone, rates, places)
    for over, members in _sharing(everyone, places, by_place).items():
        shared = by_ends.get(over)
        ceiling = None if shared is None else ceiling_of(shared.bandwidth.ceiling_bytes_s, phase)
        yield from _sum(phase, members, rates, places, over, ceiling)


def _sum(  # noqa: PLR0913, PLR0917 - what a sum is made of
    phase: str,
    members: Sequence[tuple[str, str]],
    rates: _Rates,
    places: Mapping[tuple[str, str], str],
    over: Ends | None = None,
    ceiling: int | None = None,
) -> Iterator[Together]:
    """The sum of the members, over the phases in which each of them was measured."""
    sums = [sum(moment[key] for key in members) for moment in rates.values() if moment.keys() >= set(members)]
    if not sums:
        return
    median = statistics.median(sums)
    yield Together(
        phase=phase,
        targets=tuple(target for _, target in members),
        place_ids=tuple(sorted({places[key] for key in members})),
        phases=len(sums),
        median_bytes_s=median,
        least_bytes_s=min(sums),
        most_bytes_s=max(sums),
        over=over,
        ceiling_bytes_s=ceiling,
        share=None if not ceiling else median / ceiling,
    )


def _sharing(
    everyone: Sequence[tuple[str, str]], places: Mapping[tuple[str, str], str], by_place: Mapping[str, LinkDocument]
) -> dict[Ends, list[tuple[str, str]]]:
    """The links on the way of several targets, and those targets; of several links for the same ones the narrowest."""
    on_the_way: dict[Ends, list[tuple[str, str]]] = defaultdict(list)
    carries: dict[Ends, float] = {}
    for key in everyone:
        link = by_place.get(places[key])
        for step in () if link is None else link.path:
            ends = (step.downstream_port, step.upstream_port)
            on_the_way[ends].append(key)
            carries[ends] = float("inf") if step.bytes_s is None else float(step.bytes_s)
    narrowest: dict[tuple[tuple[str, str], ...], Ends] = {}
    for ends, members in on_the_way.items():
        if len(members) > 1:
            kept = narrowest.setdefault(tuple(members), ends)
            narrowest[tuple(members)] = min(kept, ends, key=lambda item: carries[item])
    return {ends: list(members) for members, ends in narrowest.items()}


def ceiling_of(ceiling: Ceiling, phase: str) -> int | None:
    """What a link can carry in a phase or direction; both ways at once the sum of the two. None where not known."""
    if phase == BOTH:
        return None if ceiling.to_host is None or ceiling.from_host is None else ceiling.to_host + ceiling.from_host
    return {TO_HOST: ceiling.to_host, FROM_HOST: ceiling.from_host}.get(phase)
