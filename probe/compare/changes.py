"""What a comparison says: alterations and counts as they are, and the ranked sentences made of them."""

from enum import StrEnum

import msgspec

from probe.errors.attribution import ErrorFinding
from probe.errors.log_events import LogEvent
from probe.schemas import Schema


class Rank(StrEnum):
    """What a change means for the machine."""

    WORSE = "worse"
    NEUTRAL = "neutral"
    BETTER = "better"


class Alteration(msgspec.Struct, frozen=True):
    """One value of one place (or of the host, where `place` is empty) before and after. None is absent or not read."""

    place: str
    name: str
    before: str | None
    after: str | None


class CountGrowth(msgspec.Struct, frozen=True):
    """Errors counted between two snapshots. `floor` says that the counter began anew, so more may have come."""

    place: str
    end: str
    function: str
    severity: str
    error: str
    count: int
    floor: bool = False


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """One change as a person reads it. `evidence` names what it rests on; `urgent` cannot wait."""

    rank: Rank
    kind: str
    place: str
    sentence: str
    evidence: str
    urgent: bool = False


class LinkErrors(msgspec.Struct, frozen=True, kw_only=True):
    """The error findings of one place over the compared time, with rates and the limit they meet."""

    place: str
    title: str
    finding: ErrorFinding
    floor: bool
    per_hour: float | None
    aspm: str | None
    limit: str
    exceeded: bool
    ratio: float | None = None


class Comparison(msgspec.Struct, frozen=True, kw_only=True):
    """Two snapshots compared. `alterations` and `counts` are complete; `changes` and `errors` are made of them."""

    schema: str = Schema.DIFF
    host: str | None
    before_taken_at: str
    after_taken_at: str
    elapsed_s: float | None
    rebooted: bool
    alterations: tuple[Alteration, ...]
    counts: tuple[CountGrowth, ...]
    titles: dict[str, str]
    components: dict[str, str]
    capability: dict[str, str]
    events: tuple[LogEvent, ...]
    changes: tuple[Change, ...] = ()
    errors: tuple[LinkErrors, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def empty(self) -> bool:
        """Nothing changed, nothing was counted, nothing was logged."""
        return not (self.alterations or self.counts or self.events)
