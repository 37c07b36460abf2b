"""Whether a link carried what it should: measured passes against the ceiling of its state, and whom to ask. Pure.

Large one-way transfers usually reach 75 to 95 % of the ceiling; below 70 % one asks why (common practice, fits
published figures). A single pass flutters, so the median of several counts, with the least and the spread beside it.
"""

import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.loads.results import Pass

ASK_BELOW = 0.70
USUAL = (0.75, 0.95)
_TO_HOST, _FROM_HOST = "to host", "from host"
_MEMORY = "memory"


class Throughput(msgspec.Struct, frozen=True, kw_only=True):
    """One load in one direction over one target: bytes a second, the ceiling, the share, and what it means."""

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


def throughputs(passes: Iterable[Pass], links: Mapping[str, LinkDocument]) -> tuple[Throughput, ...]:
    """Every load and direction that was measured."""
    groups: dict[tuple[str, str, str, str], list[float]] = defaultdict(list)
    for item in passes:
        if item.seconds > 0:
            groups[item.load, item.target, item.place_id, item.direction].append(item.bytes / item.seconds)
    memory = [statistics.median(rates) for key, rates in groups.items() if key[0] == _MEMORY]
    return tuple(
        _throughput(key, rates, links.get(key[2]), min(memory, default=None)) for key, rates in sorted(groups.items())
    )


def _throughput(
    key: tuple[str, str, str, str], rates: Sequence[float], link: LinkDocument | None, memory: float | None
) -> Throughput:
    load, target, place_id, direction = key
    median = statistics.median(rates)
    ceiling = None if link is None else _ceiling(link, direction)
    share = None if not ceiling else median / ceiling
    short = share is not None and share < ASK_BELOW
    return Throughput(
        load=load,
        target=target,
        place_id=place_id,
        direction=direction,
        passes=len(rates),
        median_bytes_s=median,
        least_bytes_s=min(rates),
        most_bytes_s=max(rates),
        ceiling_bytes_s=ceiling,
        share=share,
        sentence=_sentence(share),
        short=short,
        questions=_questions(link, median, memory) if short and link is not None else (),
        narrowest=None if link is None else _narrowest(link),
        numa_node=None if link is None or link.component is None else link.component.numa_node,
        memory_bytes_s=memory,
    )


def _narrowest(link: LinkDocument) -> str | None:
    """The narrowest link on the path, in words; the link itself where it is alone."""
    step = next((step for step in link.path if step.narrowest), link.path[-1] if link.path else None)
    if step is None:
        return None
    return f"{step.downstream_port or 'hidden port'} to {step.upstream_port}, {step.negotiated}"


def _ceiling(link: LinkDocument, direction: str) -> int | None:
    ceiling = link.bandwidth.ceiling_bytes_s
    return {_TO_HOST: ceiling.to_host, _FROM_HOST: ceiling.from_host}.get(direction)


def _sentence(share: float | None) -> str:
    if share is None:
        return "measured; no ceiling is known for this"
    if share > 1:
        return f"{share:.0%} of the ceiling: more than the link can carry, so a cache or a count is in between"
    if share < ASK_BELOW:
        return f"falls short: {share:.0%} of the ceiling, where {USUAL[0]:.0%} to {USUAL[1]:.0%} is usual"
    return f"carries what it should: {share:.0%} of the ceiling"


def _questions(link: LinkDocument, median: float, memory: float | None) -> tuple[str, ...]:
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
