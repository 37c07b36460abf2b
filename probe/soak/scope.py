"""What the result of a soak rests on: its limits, what could be counted, and what was not tested. Pure."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.audit.observations import counting_doubts
from probe.links.kind_of_link import KindOfLink
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Pass
from probe.soak.journal import End, Start


class NotTested(msgspec.Struct, frozen=True, kw_only=True):
    """Something that the result says nothing of, and why."""

    what: str
    why: str


class Scope(msgspec.Struct, frozen=True, kw_only=True):
    """The limits, the person's own words, why errors may not have been counted, and what was left out.

    `covers` are the titles of links loaded by the person's word. `taken_before` and `taken_after` are the times of the
    two snapshots; None for one that is missing. `at_least` is the least share of its ceiling asked of each way.
    """

    correctable_limit: str
    ends_on: tuple[str, ...]
    covers: tuple[str, ...]
    accepts: tuple[str, ...]
    rate_bytes_s: float | None
    counting_doubts: tuple[str, ...]
    not_tested: tuple[NotTested, ...]
    taken_before: str
    taken_after: str | None
    at_least: float | None = None


def scope(
    start: Start,
    end: End | None,
    links: Sequence[LinkDocument],
    passes: Sequence[Pass],
    loaded: Mapping[str, bool | None],
) -> Scope:
    """The scope of a run; `links` are all of the machine, `loaded` says of those of the run whether they were."""
    after = None if end is None else end.snapshot
    return Scope(
        correctable_limit=start.correctable_limit,
        ends_on=tuple(name.replace("_", "-") for name in start.stops),
        covers=tuple(title(link) for link in links if link.place_id in start.covers),
        accepts=start.accepts,
        rate_bytes_s=start.rate_bytes_s,
        counting_doubts=counting_doubts(start.snapshot.evidence),
        not_tested=(
            *_links_left_out(start, links),
            *_links_not_loaded(links, loaded),
            *_work_left_out(start, links, passes),
        ),
        taken_before=start.snapshot.evidence.host.taken_at,
        taken_after=None if after is None else after.evidence.host.taken_at,
        at_least=start.at_least,
    )


def _links_left_out(start: Start, links: Iterable[LinkDocument]) -> Iterator[NotTested]:
    for link in links:
        if link.place_id in start.place_ids:
            continue
        if link.component is not None:
            yield NotTested(what=title(link), why="was not among the links of this run")
        elif link.kind is KindOfLink.SLOT:
            yield NotTested(what=title(link), why="holds nothing")


def _links_not_loaded(links: Iterable[LinkDocument], loaded: Mapping[str, bool | None]) -> Iterator[NotTested]:
    whys = {False: "was watched without a load", None: "was watched, and nothing says how much went over it"}
    for link in links:
        if link.place_id in loaded and not loaded[link.place_id]:
            yield NotTested(what=title(link), why=whys[loaded[link.place_id]])


def _work_left_out(start: Start, links: Iterable[LinkDocument], passes: Sequence[Pass]) -> Iterator[NotTested]:
    """Of links that a load of ours went over: data that was not compared, and a direction that nothing went."""
    for link in links:
        own = [item for item in passes if link.place_id in item.places]
        if link.place_id in start.covers and not own:
            yield NotTested(what=f"{title(link)}: its data", why="your own load is not known to have compared any")
        if not own:
            continue
        if not any(item.verified for item in own):
            yield NotTested(what=f"{title(link)}: its data", why="no load compared what came back")
        ways = {item.direction for item in own if item.peer_place_id is None}
        for way in (TO_HOST, FROM_HOST):
            if ways and ways.isdisjoint((way, BOTH)):
                yield NotTested(what=f"{title(link)}: {way}", why="no load moved data this way")
