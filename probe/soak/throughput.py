"""Whether a link carried what it should: measured passes against the ceiling of its state, and whom to ask. Pure.

Large one-way transfers usually reach 75 to 95 % of the ceiling; below 70 % one asks why (common practice, fits
published figures). A single pass flutters, so the median of several counts, with the least and the spread beside it.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.bandwidth.path import PathStep
from probe.loads.results import BOTH, Pass
from probe.paths.between import between, ceilings_to_host
from probe.soak.journal import Passes
from probe.soak.rates import Rates, added
from probe.soak.together import Together, ceiling_of

ASK_BELOW = 0.70
USUAL = (0.75, 0.95)
_MEMORY = "memory"
_Measured = tuple[str, str, str, str]
"""Load, target, place id and direction."""


class Throughput(msgspec.Struct, frozen=True, kw_only=True):
    """One load in one direction over one target: bytes a second, the ceiling, the share, and what it means.

    The ceiling is what the link can carry, or a rate that the person set. The median holds to a two-hundredth.
    `at_least` is the share that it was held to, None where to none; `too_slow` says that it did not reach that.
    """

    load: str
    target: str
    place_id: str = msgspec.field(name="place")
    direction: str
    passes: int
    median_bytes_s: float
    least_bytes_s: float
    most_bytes_s: float
    ceiling_bytes_s: int | None
    share: float | None
    sentence: str
    short: bool
    questions: tuple[str, ...] = ()
    narrowest: str | None = None
    numa_node: int | None = None
    memory_bytes_s: float | None = None
    set_by_person: bool = False
    lost: int = 0
    peer_place_id: str | None = msgspec.field(name="peer_place", default=None)
    at_least: float | None = None
    too_slow: bool = False


def throughputs(
    passes: Iterable[Pass | Passes],
    links: Mapping[str, LinkDocument],
    sums: Sequence[Together] = (),
    rate_bytes_s: float | None = None,
) -> tuple[Throughput, ...]:
    """Every load and direction that was measured; `sums` tell what links that are shared carried meanwhile.

    A rate that the person set is the ceiling where it is the lower one.
    """
    groups: dict[_Measured, list[Rates]] = defaultdict(list)
    peers: dict[_Measured, str] = {}
    lost: dict[_Measured, int] = defaultdict(int)
    for item, rates, missing in _each(passes):
        key = (item.load, item.target, item.place_id, item.direction)
        groups[key].append(rates)
        lost[key] += missing
        if item.peer_place_id is not None:
            peers[key] = item.peer_place_id
    measured = {key: added(rates) for key, rates in sorted(groups.items())}
    memory = min((rates.median for key, rates in measured.items() if key[0] == _MEMORY), default=None)
    found = (
        msgspec.structs.replace(
            _between_peers(key, rates, links, peers[key])
            if key in peers
            else _throughput(
                key, rates, links.get(key[2]), memory, shared_that_carries(sums, key[2], key[3], ASK_BELOW)
            ),
            lost=lost[key],
        )
        for key, rates in measured.items()
    )
    held = (item if rate_bytes_s is None else _held_to(rate_bytes_s, item) for item in found)
    return tuple(_with_what_was_lost(item) for item in held)


def _each(passes: Iterable[Pass | Passes]) -> Iterator[tuple[Pass, Rates, int]]:
    for item in passes:
        if isinstance(item, Passes):
            yield item.like, item.rates, item.lost
        elif item.seconds > 0 and item.bytes:
            yield item, Rates.of([item.bytes / item.seconds]), item.lost


def _with_what_was_lost(item: Throughput) -> Throughput:
    if not item.lost:
        return item
    return msgspec.structs.replace(item, sentence=f"{item.sentence}; {item.lost} frames never arrived")


def _held_to(rate_bytes_s: float, item: Throughput) -> Throughput:
    """The same against the rate that the person set, where the link could carry more."""
    if item.ceiling_bytes_s is not None and item.ceiling_bytes_s <= rate_bytes_s:
        return item
    share = item.median_bytes_s / rate_bytes_s
    short = share < ASK_BELOW
    return msgspec.structs.replace(
        item,
        ceiling_bytes_s=int(rate_bytes_s),
        share=share,
        short=short,
        sentence=f"{'falls short: ' if short else ''}{share:.0%} of the rate that was set",
        questions=item.questions if short else (),
        set_by_person=True,
    )


def _between_peers(key: _Measured, rates: Rates, links: Mapping[str, LinkDocument], peer_place_id: str) -> Throughput:
    """What went from one component to another, against the narrowest link between the two."""
    _, _, place_id, direction = key
    way = None
    if place_id in links and peer_place_id in links:
        way = between(links[place_id], links[peer_place_id], ceilings_to_host(links.values()))
    ceiling = None if way is None or way.ceiling_bytes_s is None else way.ceiling_bytes_s * (1 + (direction == BOTH))
    share = None if not ceiling else rates.median / ceiling
    told = "no ceiling is known for this" if share is None else f"{share:.0%} of the narrowest link between them"
    return msgspec.structs.replace(
        _measured(key, rates, ceiling),
        sentence=f"{told}, through {way.through}" if way is not None else told,
        narrowest=None if way is None or way.narrowest is None else _in_words(way.narrowest),
        peer_place_id=peer_place_id,
    )


def shared_that_carries(sums: Iterable[Together], place_id: str, direction: str, least: float) -> Together | None:
    """A link that this one shares with others and that carries at least so much of its ceiling, this way."""
    return next(
        (
            item
            for item in sums
            if item.over is not None and item.phase == direction and place_id in item.place_ids
            and item.share is not None and item.share >= least
        ),
        None,
    )  # fmt: skip


def _throughput(
    key: _Measured,
    rates: Rates,
    link: LinkDocument | None,
    memory: float | None,
    shared: Together | None,
) -> Throughput:
    direction = key[3]
    found = _measured(key, rates, None if link is None else ceiling_of(link.bandwidth.ceiling_bytes_s, direction))
    short = found.share is not None and found.share < ASK_BELOW and direction != BOTH and shared is None
    return msgspec.structs.replace(
        found,
        sentence=_sentence(found.share, direction, shared),
        short=short,
        questions=whom_to_ask(link, rates.median, memory) if short and link is not None else (),
        narrowest=None if link is None else _narrowest(link),
        numa_node=None if link is None or link.component is None else link.component.numa_node,
        memory_bytes_s=memory,
    )


def _measured(key: _Measured, rates: Rates, ceiling: int | None) -> Throughput:
    """What was measured, and its share of a ceiling; nothing is said of it yet."""
    load, target, place_id, direction = key
    return Throughput(
        load=load,
        target=target,
        place_id=place_id,
        direction=direction,
        passes=rates.count,
        median_bytes_s=rates.median,
        least_bytes_s=rates.least,
        most_bytes_s=rates.most,
        ceiling_bytes_s=ceiling,
        share=None if not ceiling else rates.median / ceiling,
        sentence="",
        short=False,
    )


def _narrowest(link: LinkDocument) -> str | None:
    """The narrowest link on the path, in words; the link itself where it is alone."""
    step = next((step for step in link.path if step.narrowest), link.path[-1] if link.path else None)
    return None if step is None else _in_words(step)


def _in_words(step: PathStep) -> str:
    return f"{step.downstream_port or 'hidden port'} to {step.upstream_port}, {step.negotiated}"


def _sentence(share: float | None, direction: str, shared: Together | None) -> str:
    if share is None:
        return "measured; no ceiling is known for this"
    if share > 1:
        return f"{share:.0%} of the ceiling: more than the link can carry, so a cache or a count is in between"
    if direction == BOTH:
        return f"{share:.0%} of the two ceilings together; what is usual both ways at once depends on the host's memory"
    if share < ASK_BELOW and shared is not None:
        port, below = shared.over or (None, None)
        what = f"the link {port or 'of a hidden port'} to {below}"
        return f"{share:.0%} of its own ceiling: with others it fills {what} that they share, {shared.share:.0%} of it"
    if share < ASK_BELOW:
        return f"falls short: {share:.0%} of the ceiling, where {USUAL[0]:.0%} to {USUAL[1]:.0%} is usual"
    return f"carries what it should: {share:.0%} of the ceiling"


def whom_to_ask(link: LinkDocument, median: float, memory: float | None) -> tuple[str, ...]:
    """Whom to ask before the link is blamed."""
    found = []
    narrowest = next((step for step in link.path if step.narrowest), None)
    if narrowest is not None and narrowest.upstream_port != link.upstream_port:
        ends = f"{narrowest.downstream_port or 'a hidden port'} to {narrowest.upstream_port}"
        found.append(f"a shared or narrower uplink: the path's narrowest link is {ends}, {narrowest.negotiated}")
    if memory is not None and memory < 2 * median:
        found.append(f"host memory: it copies {memory / 1e9:.1f} GB/s here")
    if memory is None:
        found.append("host memory: not measured in this run (add --load memory)")
    component = link.component
    if component is not None and component.numa_node is None:
        found.append("the NUMA node of the component is not known: the load may have run on the far one")
    if component is not None and component.iommu_group is not None:
        found.append(f"the IOMMU (group {component.iommu_group}): translation costs small transfers most")
    found.append("power throttle of the component; pageable memory, where the load is not one of linkprobe's own")
    return tuple(found)
