"""The least share of its ceiling that a person asks of each way of a link, held against what was measured. Pure.

Without such a limit a slow link fails nothing: a drive may be slower than its link. What goes both ways at once is held
to none, since that depends on the host's memory; nor is a way whose ceiling is not known, which then is in doubt.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.exceptions import InputError
from probe.loads.results import BOTH
from probe.soak.throughput import Throughput, shared_that_carries, whom_to_ask
from probe.soak.together import Together


def checked_share(share: float | None, *, where: str) -> float | None:
    """The same. Raises InputError where it is no share: above 0 and at most 1."""
    if share is not None and not 0 < share <= 1:
        raise InputError("is no share of a ceiling", where=f"{where} {share:g}", remedy="give one above 0, up to 1")
    return share


def held_to_share(
    carried: Iterable[Throughput],
    links: Mapping[str, LinkDocument],
    sums: Sequence[Together],
    at_least: float | None,
) -> tuple[Throughput, ...]:
    """What was carried, each way of it held to the share, as far as it can be.

    A link that shares another with its neighbours is held by their sum, where that fills the shared one so far.
    """
    return tuple(item if at_least is None else _held(item, links, sums, at_least) for item in carried)


def _held(item: Throughput, links: Mapping[str, LinkDocument], sums: Sequence[Together], at_least: float) -> Throughput:
    if item.share is None or item.direction == BOTH:
        return item
    shared = shared_that_carries(sums, item.place_id, item.direction, at_least)
    if item.share >= at_least or (shared is not None and item.peer_place_id is None):
        return msgspec.structs.replace(item, at_least=at_least)
    link = links.get(item.place_id)
    asks = link is not None and item.peer_place_id is None
    return msgspec.structs.replace(
        item,
        at_least=at_least,
        too_slow=True,
        short=True,
        sentence=f"falls short: {told_share(item.share)} of {_ceiling(item)}, where {at_least:.4g} of it was asked for",
        questions=whom_to_ask(link, item.median_bytes_s, item.memory_bytes_s) if asks and link is not None else (),
    )


def _ceiling(item: Throughput) -> str:
    if item.set_by_person:
        return "the rate that was set"
    return "its ceiling" if item.peer_place_id is None else "the narrowest link between them"


def told_share(share: float) -> str:
    """A share as a number that never reads as more than it is."""
    return f"{math.floor(share * 1000) / 1000:.4g}"


def too_slow(carried: Iterable[Throughput]) -> Iterator[str]:
    """What was carried over one link below the share that was asked for."""
    for item in carried:
        if item.too_slow and item.peer_place_id is None:
            yield f"{item.direction}, {item.load} {item.target}: {item.sentence}"


def ways_too_slow(carried: Iterable[Throughput]) -> Iterator[str]:
    """The same of ways from one component to another, of which neither link is to blame by itself."""
    for item in carried:
        if item.too_slow and item.peer_place_id is not None:
            yield f"{item.load} {item.target}, {item.direction}: {item.sentence}"


def ways_not_held(carried: Iterable[Throughput], at_least: float | None) -> Iterator[str]:
    """Ways from one component to another that could not be held to what was asked for."""
    for item in carried if at_least is not None else ():
        if item.peer_place_id is not None and item.direction != BOTH and item.at_least is None:
            named = f"{item.load} {item.target}, {item.direction}"
            yield f"{named}: no ceiling is known, of which {at_least:.4g} was asked for"


def slowest_share(carried: Iterable[Throughput], place_id: str) -> float | None:
    """The least share of the ceiling that was carried over a link one way; None where none was measured."""
    own = (item for item in carried if item.place_id == place_id and item.peer_place_id is None)
    return min((item.share for item in own if item.share is not None and item.direction != BOTH), default=None)
