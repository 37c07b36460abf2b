"""Components that went by themselves: told by every run until they are back, or until a person accepts it. Pure."""

from collections.abc import Iterable, Mapping

import msgspec

from probe.compare.following import Followed
from probe.compare.identity import Identity
from probe.compare.presence_changes import Gone


class Missing(msgspec.Struct, frozen=True):
    """One component: where it was, what it was, and when its absence was first seen.

    `place_id` is the way it was wired; `what` is all that was known of it.
    """

    place: str
    identity: str
    since: str
    place_id: str = ""
    what: Identity | None = None

    def is_back(self, present: Mapping[str, Identity]) -> bool:
        """Whether it is found among the components that are there now, by the way they are wired.

        A serial number is back wherever it turns up. Where none was read, what is in the place and does not contradict
        may be it: a component that sleeps does not give its number.
        """
        known = self.what if self.what is not None else _of_words(self.identity)
        if known.serial is not None and any(here.serial == known.serial for here in present.values()):
            return True
        here = present.get(self.place_id)
        return here is not None and not here.differs_from(known)


def _of_words(text: str) -> Identity:
    """What an older note says in words."""
    return Identity(serial=text.removeprefix("serial ") if text.startswith("serial ") else None)


def still_missing(before: Iterable[Missing], told: Followed, now: str) -> tuple[Missing, ...]:
    """Those that were missing and are not back, and those that went now. What somebody asked for is not missing."""
    known = {(item.place, item.identity): item for item in before}
    keys = {title: key for key, title in told.titles.items()}
    for change in told.changes:
        went = change.what
        if isinstance(went, Gone) and went.urgent:
            key = keys.get(went.place, "")
            noted = Missing(went.place, went.identity, now, place_id=key, what=told.were.get(key))
            known.setdefault((went.place, went.identity), noted)
    return tuple(item for item in known.values() if not item.is_back(told.are))
