"""Link errors that came over the last runs, held to the limit in the window that ends now. Pure.

Runs lie closer together than a limit is long: 5 errors each quarter of an hour are 40 in two hours, and no two runs
that follow each other show it.
"""

from collections.abc import Iterable

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.compare.changes import Comparison
from probe.errors.attribution import is_link_error
from probe.errors.limits import Limit


class Came(msgspec.Struct, frozen=True):
    """Errors of one link that point the same way: how many, and since when they can have come."""

    place_id: str
    direction: str
    count: int
    since_s: float


class Lately(msgspec.Struct, frozen=True):
    """What came, oldest first, on a clock that adds up the time between runs: `now_s` is that of the last one."""

    now_s: float = 0.0
    came: tuple[Came, ...] = ()


class OverLimit(msgspec.Struct, frozen=True):
    """So many errors of one link within a window of the limit."""

    place_id: str
    title: str
    direction: str
    count: int
    limit: Limit

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        what = f"{self.count} correctable link errors over the last runs, suspect {self.direction}"
        return f"worse, {self.title}: {what} [limit {self.limit}]"


def carried_on(before: Lately, told: Comparison | None, links: Iterable[LinkDocument], limit: Limit) -> Lately:
    """What came before and in the time of this run, as far back as the limit reaches.

    A time that is not known is taken to be longer: what came before it counts no more, and no alarm rests on a guess.
    In Flit mode corrected errors are a part of normal work.
    """
    if told is None or told.backwards:
        return before
    elapsed_s = limit.seconds if told.elapsed_s is None else told.elapsed_s
    now_s = before.now_s + elapsed_s
    flit = {link.place_id for link in links if link.bandwidth.flit_mode}
    new = (
        Came(item.place, item.finding.direction, item.finding.events, before.now_s)
        for item in told.errors
        if is_link_error(item.finding) and item.place not in flit
    )
    return Lately(now_s, tuple(item for item in (*before.came, *new) if item.since_s >= now_s - limit.seconds))


def over_limit(lately: Lately, links: Iterable[LinkDocument], limit: Limit) -> tuple[OverLimit, ...]:
    """Links of which as many came within the window that ends now as the limit has."""
    titles = {link.place_id: title(link) for link in links}
    sums: dict[tuple[str, str], int] = {}
    for item in lately.came:
        key = item.place_id, item.direction
        sums[key] = sums.get(key, 0) + item.count
    return tuple(
        OverLimit(place_id, titles.get(place_id, place_id), direction, count, limit)
        for (place_id, direction), count in sums.items()
        if count >= limit.count
    )


def newly(over: Iterable[OverLimit], told: Comparison | None) -> tuple[OverLimit, ...]:
    """Those to which this run added, and of which its own comparison does not say the same already."""
    grown = {} if told is None else {(item.place, item.finding.direction): item.exceeded for item in told.errors}
    return tuple(item for item in over if grown.get((item.place_id, item.direction)) is False)
