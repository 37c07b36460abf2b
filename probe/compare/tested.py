"""What tests of links said: beside snapshots, and one test against an earlier one. Each kind of change says itself.

May live here: the changes as values. May not: telling whether two figures differ, which the room of the test does.
"""

import msgspec

from probe.compare.rank import Rank
from probe.result import Result


class Tested(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="tested"):
    """What a test said of a link; `back` is null where it is not known whether the link runs as it did."""

    place: str
    test: str
    at: str
    result: Result
    reasons: tuple[str, ...] = ()
    restored: bool = True
    back: bool | None = None

    kind = "test"

    @property
    def rank(self) -> Rank:
        """A test that failed is a finding; one that could not tell is none."""
        return Rank.WORSE if self.result is Result.FAILED else Rank.NEUTRAL

    @property
    def urgent(self) -> bool:
        """The link is not back, or something stands in its registers that was not there."""
        return self.back is False or not self.restored

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"{self.test} {self.result}{_because(self.reasons)}"

    @property
    def evidence(self) -> str:
        """Which test."""
        return f"linkprobe {self.test}, {self.at}"


class _Before(msgspec.Struct, frozen=True, kw_only=True):
    """What all changes between two tests have."""

    place: str
    test: str

    urgent = False

    @property
    def evidence(self) -> str:
        """What was compared."""
        return f"two results of linkprobe {self.test}"


class ResultChanged(_Before, frozen=True, kw_only=True, tag_field="change", tag="result"):
    """A test of a link ended otherwise than before."""

    before: Result
    after: Result
    reasons: tuple[str, ...] = ()

    kind = "result"

    @property
    def rank(self) -> Rank:
        """To have failed is worse than anything; to have passed better."""
        if self.after is Result.FAILED:
            return Rank.WORSE
        return Rank.BETTER if self.before is Result.FAILED and self.after is Result.PASSED else Rank.NEUTRAL

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"{self.before} before, {self.after} now{_because(self.reasons)}"


class ShareChanged(_Before, frozen=True, kw_only=True, tag_field="change", tag="share short"):
    """How many trainings came up short, before and after. `chance`: of such a difference, by Fisher's exact test."""

    before_short: int
    before_of: int
    after_short: int
    after_of: int
    chance: float
    told_apart: bool

    kind = "share short"

    @property
    def rank(self) -> Rank:
        """Only what is told apart is better or worse."""
        if not self.told_apart:
            return Rank.NEUTRAL
        worse = self.after_short * self.before_of > self.before_short * self.after_of
        return Rank.WORSE if worse else Rank.BETTER

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        told = f"short in {self.before_short} of {self.before_of} before, in {self.after_short} of {self.after_of} now"
        if self.told_apart:
            return f"{told} (Fisher's exact test: {self.chance:.2g})"
        return f"{told}: these numbers do not tell the two apart (Fisher's exact test: {self.chance:.2g})"


class GenerationChanged(_Before, frozen=True, kw_only=True, tag_field="change", tag="generation"):
    """What a speed does that it did not, or no longer does: `what` is supported, trained, carries or clean."""

    speed_gts: float
    what: str
    before: bool
    after: bool

    kind = "generation"

    @property
    def rank(self) -> Rank:
        """What it no longer does is worse."""
        return Rank.BETTER if self.after else Rank.WORSE

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        words = {True: "yes", False: "no"}
        return f"{self.speed_gts:g} GT/s, {self.what}: {words[self.before]} before, {words[self.after]} now"


class WayChanged(msgspec.Struct, frozen=True, kw_only=True):
    """One way of a lane, before and after, in `unit` (steps, UI or V); `at_least` where the receiver's range ended."""

    side: str
    unit: str
    before: float
    after: float
    before_at_least: bool = False
    after_at_least: bool = False

    @property
    def words(self) -> str:
        """As a person reads it."""
        before, after = (
            f"{'at least ' if least else ''}{value:.3g}"
            for value, least in ((self.before, self.before_at_least), (self.after, self.after_at_least))
        )
        return f"{self.side.replace('_', ' ')} {before} before, {after} {self.unit} now"


class MarginChanged(_Before, frozen=True, kw_only=True, tag_field="change", tag="margin"):
    """A lane whose margin is another one, further than two measurings of one lane lie apart.

    `comparable` is false where the two were measured in other ways, so that a difference need be none of the lane.
    """

    receiver: int
    lane: int
    ways: tuple[WayChanged, ...]
    comparable: bool = True

    kind = "margin"

    @property
    def rank(self) -> Rank:
        """Narrower in any way is worse."""
        if not self.comparable:
            return Rank.NEUTRAL
        return Rank.WORSE if any(way.after < way.before for way in self.ways) else Rank.BETTER

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"receiver {self.receiver}, lane {self.lane}: {'; '.join(way.words for way in self.ways)}"


class NotMeasured(_Before, frozen=True, kw_only=True, tag_field="change", tag="not measured"):
    """Something that only one of two tests measured, or that cannot be held against the other, and why."""

    what: str
    why: str

    kind = "not measured"
    rank = Rank.NEUTRAL

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"{self.what}: {self.why}"


def _because(reasons: tuple[str, ...]) -> str:
    return f": {'; '.join(reasons)}" if reasons else ""


TestChange = Tested | ResultChanged | ShareChanged | GenerationChanged | MarginChanged | NotMeasured
