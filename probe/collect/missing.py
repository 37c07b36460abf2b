"""Components that went by themselves: told by every run until they are back, or until a person accepts it. Pure."""

from collections.abc import Iterable

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import identity, title
from probe.compare.changes import Change
from probe.compare.presence_changes import Gone


class Missing(msgspec.Struct, frozen=True):
    """One component: where it was, what it was, and when its absence was first seen."""

    place: str
    identity: str
    since: str


def still_missing(
    before: Iterable[Missing], changes: Iterable[Change], links: Iterable[LinkDocument], now: str
) -> tuple[Missing, ...]:
    """Those that were missing and are not back, and those that went now. What somebody asked for is not missing.

    A serial number is back wherever it turns up; a component without one, where it was.
    """
    links = tuple(links)
    anywhere = {link.component.serial for link in links if link.component is not None}
    in_place = {(title(link), identity(link)) for link in links}
    known = {(item.place, item.identity): item for item in before}
    for change in changes:
        went = change.what
        if isinstance(went, Gone) and went.urgent:
            known.setdefault((went.place, went.identity), Missing(went.place, went.identity, now))
    return tuple(
        item
        for key, item in known.items()
        if key not in in_place and item.identity.removeprefix("serial ") not in anywhere
    )
