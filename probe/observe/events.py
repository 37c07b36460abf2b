"""What happens to a link between two readings: events, and errors counted. Saved in the journal of a soak as they are.

A saved format only grows. The JSON name `place` is a place id: how the place is wired, never its title.
"""

from enum import StrEnum

import msgspec

from probe.errors.counts import ErrorCount
from probe.links.link import WhichEnd
from probe.registers.errors import Severity


class LinkEventKind(StrEnum):
    """What happened to a link."""

    GONE = "gone"
    BACK = "back"
    LINK_DOWN = "link down"
    LINK_UP = "link up"
    STATE = "state"
    RETRAINED = "retrained"
    POWER = "power"
    LANE_ERROR = "lane error"
    WITNESS = "witness"
    HOT = "hot"
    CRITICAL = "critical"
    CALENDAR = "calendar"
    NOT_WATCHED = "not watched"
    UNREAD = "unread"
    UNANSWERED = "unanswered"


LOST = frozenset({LinkEventKind.GONE, LinkEventKind.LINK_DOWN})
"""The link carries nothing after these."""

NOT_READ = frozenset({LinkEventKind.UNREAD, LinkEventKind.UNANSWERED})
"""Of the link nothing is known from these on, until it is read again."""

TRANSITIONS = frozenset({
    LinkEventKind.STATE, LinkEventKind.LINK_DOWN, LinkEventKind.LINK_UP, LinkEventKind.RETRAINED,
})  # fmt: skip
"""The link trained."""


class LinkEvent(msgspec.Struct, frozen=True, kw_only=True, tag="event"):
    """What happened to a link, seen `t` seconds after the start. `place_id` is empty for the whole machine.

    `times` counts this one and those of its kind that came after it until `until`, of which many are kept as one.
    """

    t: float
    place_id: str = msgspec.field(name="place")
    kind: LinkEventKind
    sentence: str
    bad: bool = False
    times: int = 1
    until: float | None = None


class CountedErrors(msgspec.Struct, frozen=True, kw_only=True, tag="errors"):
    """Errors that one end counted between two readings, the later at `t`.

    `since` is the moment of the earlier one where it was long before: when in between they came is not known.
    """

    t: float
    place_id: str = msgspec.field(name="place")
    end: WhichEnd
    function: str
    severity: Severity
    error: str
    count: int
    since: float | None = None

    @property
    def counted(self) -> ErrorCount:
        """The count itself."""
        return ErrorCount(self.end, self.function, self.severity, self.error, self.count)

    @property
    def words(self) -> str:
        """What was counted, to stand behind a number."""
        return f"{self.severity}: {self.error} at the {self.end}"


Observed = LinkEvent | CountedErrors
