"""What a soak is about to do, said before it starts: what the chosen time can show, and what loads which link. Pure."""

from collections.abc import Iterable, Iterator

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import short_titles
from probe.errors.bit_error_ratio import upper_mean
from probe.loads.placement import placement
from probe.soak.setup import Setup

_CONFIDENCE = 0.95


class Ratio(msgspec.Struct, frozen=True, order=True):
    """The bit error ratio that a time without an error shows on one link, one direction, at 95 %."""

    ratio: float
    place: str


class Shows(msgspec.Struct, frozen=True, kw_only=True):
    """What a time without an error shows: the ratio on the link of which it shows most, and of which least.

    None where it says nothing of any. `in_flits` links correct errors as they go, so that it says nothing of them; of
    `unknown` links the rate is not known.
    """

    seconds: float
    most: Ratio | None
    least: Ratio | None
    in_flits: int
    unknown: int

    def __str__(self) -> str:
        """In one sentence."""
        if self.most is None or self.least is None:
            why = "its length is not known" if not self.seconds else "no link has a rate that says so"
            return f"What this time can show as a bit error ratio cannot be told: {why}."
        ratio = f"{self.most.ratio:.1e}"
        if self.least.ratio > self.most.ratio:
            ratio += f" ({self.most.place}) to {self.least.ratio:.1e} ({self.least.place})"
        flits = f"; it says nothing of links in Flit mode ({self.in_flits})" if self.in_flits else ""
        unknown = f"; nor of links of unknown rate ({self.unknown})" if self.unknown else ""
        return (
            f"Without an error this time shows a bit error ratio below {ratio} (95 %, one direction){flits}{unknown}: "
            "minutes are enough for the ratio, hours show what warmth and rare trainings do."
        )


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
    at_least: float | None = None


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
        at_least=setup.at_least,
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
    titles = short_titles(listed)
    flits = sum(bool(link.bandwidth.flit_mode) for link in listed)
    known = [(_ratio(link, seconds), titles[link.place_id]) for link in listed]
    ratios = [Ratio(ratio, place) for ratio, place in known if ratio is not None]
    return Shows(
        seconds=seconds,
        most=min(ratios, default=None),
        least=max(ratios, default=None),
        in_flits=flits,
        unknown=len(listed) - flits - len(ratios),
    )


def _ratio(link: LinkDocument, seconds: float) -> float | None:
    now = link.possible if link.possible.speed_gts is not None else link.negotiated
    if now.speed_gts is None or now.width is None or link.bandwidth.flit_mode or seconds <= 0:
        return None
    return upper_mean(0, _CONFIDENCE) / (now.speed_gts * 1e9 * now.width * seconds)
