"""The comparison document: raw differences as values, and every change with its rank and its sentence.

A saved format only grows: a new field has a default, and no field ever changes its type.
"""

from collections.abc import Iterable

import msgspec

from probe.compare.growth import CountGrowth, ErrorsCounted, LinkErrors, StatusBits
from probe.compare.host import HostChanged
from probe.compare.judged_anew import BelowCapability
from probe.compare.logged import Logged
from probe.compare.presence_changes import Came, FunctionChanged, Gone, MayHaveMoved, Moved, PortChanged, Replaced
from probe.compare.quantities import QuantityChanged
from probe.compare.rank import Rank
from probe.compare.sight import NotCompared
from probe.compare.swaps import Conclusion
from probe.compare.tested import TestChange
from probe.compare.unclaimed import Unclaimed
from probe.errors.log_events import LogEvent
from probe.exit_status import ExitStatus, status_of
from probe.schemas import Schema

Lasting = (
    Gone | Came | Moved | MayHaveMoved | Replaced | PortChanged | FunctionChanged | QuantityChanged | BelowCapability
    | HostChanged | Logged | ErrorsCounted | Unclaimed | StatusBits | NotCompared | TestChange
)  # fmt: skip


class InBetween(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="in between"):
    """A change for the worse between two of several snapshots that the first and the last do not show."""

    first: int
    second: int
    what: Lasting

    @property
    def place(self) -> str:
        """The place of the change."""
        return self.what.place

    @property
    def kind(self) -> str:
        """The kind of the change."""
        return self.what.kind

    @property
    def rank(self) -> Rank:
        """What came and went was there."""
        return self.what.rank

    @property
    def urgent(self) -> bool:
        """As above."""
        return self.what.urgent

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"between snapshots {self.first} and {self.second}: {self.what.sentence}; not so in the last"

    @property
    def evidence(self) -> str:
        """That of the change."""
        return self.what.evidence


AnyChange = Lasting | InBetween


class Alteration(msgspec.Struct, frozen=True):
    """One value of one place (or of the host, where `place` is empty) before and after. None is absent or not read."""

    place: str
    name: str
    before: str | None
    after: str | None


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """A change as a person reads it. `evidence` names what it rests on; `urgent` cannot wait; `what` is its values."""

    rank: Rank
    kind: str
    place: str
    sentence: str
    evidence: str
    urgent: bool = False
    what: AnyChange | None = None


class Comparison(msgspec.Struct, frozen=True, kw_only=True):
    """Snapshots compared. `alterations` and `counts` are complete; `changes` and `errors` are made of them.

    `undecided` says that something was read in one snapshot only which a comparison cannot do without; `uncounted` why
    errors may have come that were not counted.
    """

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
    backwards: bool = False
    snapshots: int = 2
    undecided: bool = False
    conclusions: tuple[Conclusion, ...] = ()
    uncounted: tuple[str, ...] = ()

    @property
    def empty(self) -> bool:
        """Nothing changed, nothing was counted, nothing was logged."""
        return not (self.alterations or self.counts or self.events or self.changes)

    @property
    def nothing(self) -> str:
        """What to say where nothing changed."""
        return "Nothing changed that could be seen." if self.uncounted else "Nothing changed."


def told(changes: Iterable[AnyChange]) -> tuple[Change, ...]:
    """The changes in words, most pressing first."""
    found = [
        Change(
            rank=change.rank, kind=change.kind, place=change.place, sentence=change.sentence, evidence=change.evidence,
            urgent=change.urgent, what=change,
        ) for change in changes
    ]  # fmt: skip
    return in_order(found)


def in_order(changes: Iterable[Change]) -> tuple[Change, ...]:
    """Changes, most pressing first."""
    return tuple(
        sorted(changes, key=lambda item: (not item.urgent, item.rank.order, item.place, item.kind, item.sentence))
    )


def exit_status(comparison: Comparison) -> ExitStatus:
    """2 if anything is urgent, 1 if anything is worse or a limit is exceeded, 3 if that could not be told, else 0."""
    worse = any(change.rank is Rank.WORSE for change in comparison.changes)
    return status_of(
        urgent=any(change.urgent for change in comparison.changes),
        found=worse or any(item.exceeded for item in comparison.errors),
        judged=not comparison.undecided,
    )
