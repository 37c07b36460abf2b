"""What a soak is about to do, said before it starts: what the chosen time can show, and what loads which link. Pure."""

from collections.abc import Iterable, Iterator

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import short_titles
from probe.errors.bit_error_ratio import upper_mean
from probe.loads.placement import placement
from probe.soak.setup import Setup

_CONFIDENCE = 0.95


class Shows(msgspec.Struct, frozen=True, kw_only=True):
    """The bit error ratio that a time without an error shows, one direction, at 95 %, on the slowest and fastest link.

    None where it says that of no link. `in_flits` links correct errors as they go, so that it says nothing of them;
    of `unknown` links the rate is not known.
    """

    seconds: float
    least: float | None
    most: float | None
    in_flits: int
    unknown: int


class Assignment(msgspec.Struct, frozen=True, kw_only=True):
    """One load on one target; `place` is the short name of the link that it goes over, None where it is none here."""

    place: str | None
    load: str
    target: str
    where: str
    writes: str
    note: str | None = None


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """The whole. `with_root` are the targets that hold the system's root; None where that cannot be told."""

    links: int
    planned_s: float | None
    interval_s: float
    limit: str
    stops: tuple[str, ...]
    shows: Shows
    assignments: tuple[Assignment, ...]
    verifies: dict[str, str]
    covered: tuple[str, ...]
    driven: int
    with_root: tuple[str, ...] | None


def plan(setup: Setup, with_root: tuple[str, ...] | None) -> Plan:
    """What this setup is about to do."""
    titles = short_titles(setup.snapshot.links)
    places = {address: link.place_id for link in setup.links if link.component for address in link.component.functions}
    driven = {places[own] for _, target in setup.loads for own in (target.address, target.peer) if own in places}
    covered = tuple(titles[place_id] for place_id in setup.covers)
    return Plan(
        links=len(setup.links),
        planned_s=setup.planned_s,
        interval_s=setup.interval_s,
        limit=str(setup.correctable),
        stops=setup.stops.words,
        shows=shows(setup.links, setup.planned_s or 0.0),
        assignments=tuple(_assignments(setup, {own: titles[place_id] for own, place_id in places.items()})),
        verifies={load.name: load.verifies for load, _ in setup.loads},
        covered=covered,
        driven=len(driven | set(setup.covers)),
        with_root=with_root,
    )


def _assignments(setup: Setup, titles: dict[str, str]) -> Iterator[Assignment]:
    for load, target in setup.loads:
        own = [titles[address] for address in (target.address, target.peer) if address in titles]
        yield Assignment(
            place=" and ".join(own) or None, load=load.name, target=target.label, where=placement(target),
            writes=load.writes, note=target.note,
        )  # fmt: skip


def shows(links: Iterable[LinkDocument], seconds: float) -> Shows:
    """What this time can show."""
    listed = list(links)
    flits = sum(bool(link.bandwidth.flit_mode) for link in listed)
    ratios = [ratio for link in listed if (ratio := _ratio(link, seconds)) is not None]
    return Shows(
        seconds=seconds,
        least=min(ratios, default=None),
        most=max(ratios, default=None),
        in_flits=flits,
        unknown=len(listed) - flits - len(ratios),
    )


def _ratio(link: LinkDocument, seconds: float) -> float | None:
    now = link.possible if link.possible.speed_gts is not None else link.negotiated
    if now.speed_gts is None or now.width is None or link.bandwidth.flit_mode or seconds <= 0:
        return None
    return upper_mean(0, _CONFIDENCE) / (now.speed_gts * 1e9 * now.width * seconds)
