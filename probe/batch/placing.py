"""Which place of the model each reading is of, and what the place is called.

A document that holds links names places by how they are wired. Results of tests name them by the address of the port:
that of their own machine's links where these were given, else that of the other machines' where all agree.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.batch.contribution import Tested, Where
from probe.batch.machines import Member
from probe.batch.of_links import link_readings
from probe.batch.readings import Key, Reading, take_later


class Placed(msgspec.Struct, kw_only=True):
    """What is known of one place of one machine."""

    link: LinkDocument | None = None
    readings: dict[Key, Reading] = msgspec.field(default_factory=dict)
    tested: dict[str, Tested] = msgspec.field(default_factory=dict)
    titles: list[str] = msgspec.field(default_factory=list)


class Laid(msgspec.Struct, frozen=True, kw_only=True):
    """One machine's places by place id, and whether its links were given at all."""

    member: Member
    places: dict[str, Placed]
    links_from: str | None


def laid_out(found: Sequence[Member]) -> tuple[Laid, ...]:
    """Every machine's readings by place."""
    links = {member.name: _links(member) for member in found}
    ports = {name: _ports(whole[1]) for name, whole in links.items()}
    shared = _shared(ports.values())
    return tuple(_laid(member, *links[member.name], {**shared, **ports[member.name]}) for member in found)


def title_of(places: Iterable[Placed], place_id: str) -> str:
    """What most call the place; the first by the alphabet of several."""
    titles = Counter(title for place in places for title in place.titles)
    return min(titles, key=lambda title: (-titles[title], title), default=place_id)


def _links(member: Member) -> tuple[str | None, tuple[LinkDocument, ...]]:
    """The newest file that holds the machine's links, and these."""
    return next(((part.file, part.links) for part in reversed(member.parts) if part.links is not None), (None, ()))


def _ports(links: Iterable[LinkDocument]) -> dict[str, str]:
    return {link.downstream_port: link.place_id for link in links if link.downstream_port is not None}


def _shared(of_machines: Iterable[Mapping[str, str]]) -> dict[str, str]:
    """Ports that are the same place in every machine that has them."""
    said: dict[str, set[str]] = defaultdict(set)
    for ports in of_machines:
        for port, place_id in ports.items():
            said[port].add(place_id)
    return {port: places.pop() for port, places in said.items() if len(places) == 1}


def _laid(member: Member, links_from: str | None, links: tuple[LinkDocument, ...], ports: Mapping[str, str]) -> Laid:
    places: dict[str, Placed] = defaultdict(Placed)
    for link in links:
        places[link.place_id].link = link
        places[link.place_id].titles.append(_called(link))
    for part in member.parts:
        if part.file == links_from:
            for link in links:
                places[link.place_id].readings.update(link_readings(link, part.host))
        for where, keys in part.readings.items():
            take_later(places[_id(where, ports)].readings, keys)
        for where, tested in part.tested.items():
            places[_id(where, ports)].tested.update({item.test: item for item in tested})
        for where, title in part.titles.items():
            place = places[_id(where, ports)]
            if place.link is None:
                place.titles.append(title)
    return Laid(member=member, places=dict(places), links_from=links_from)


def _called(link: LinkDocument) -> str:
    named = link.slot.title if link.slot is not None else None
    if named:
        return f"slot {named}" if named[0].isdecimal() else named
    return f"port {link.downstream_port}" if link.downstream_port else f"component {link.upstream_port}"


def _id(where: Where, ports: Mapping[str, str]) -> str:
    return where.place_id or ports.get(where.port, f"port {where.port}")
