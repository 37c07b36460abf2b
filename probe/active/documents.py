"""What active tests say, as documents. Field names are a contract with programs outside this project.

A saved format only grows: a new field has a default, and no field ever changes its type. null is not read, never zero.
"""

from collections.abc import Sequence
from enum import StrEnum
from typing import Protocol as Interface

import msgspec

from probe.active.guard import Finding
from probe.active.link_at import Equalization
from probe.active.restoring import Leftover
from probe.compare.identity import Identity
from probe.evidence import Host
from probe.exit_status import ExitStatus
from probe.links.state import LinkState
from probe.result import Result
from probe.schemas import Schema


class Kind(StrEnum):
    """What came of one training."""

    GOOD = "good"
    SLOWER = "slower"
    NARROWER = "narrower"
    SLOWER_AND_NARROWER = "slower and narrower"
    EQUALIZATION = "equalization not complete"
    WORKAROUND = "by the kernel's work-around"
    NOT_UP = "did not come up"
    REMOVED = "removed by hot-plug"
    NOT_OBSERVED = "no training was observed"
    NOT_DONE = "not done"


class ErrorCount(msgspec.Struct, frozen=True):
    """Errors that the kernel counted at one end, by the specification's name."""

    end: str
    severity: str
    error: str
    count: int


class Attempt(msgspec.Struct, frozen=True, kw_only=True):
    """One training. `ms` is null where its time is not known; `below_ms` says that it was over at the first look.

    `errors` are those counted since the training before, null where the kernel counts none for this link; `lanes` are
    the lanes whose error bit was newly set, by end.
    """

    number: int
    kind: Kind
    observed_training: bool
    observed_by: tuple[str, ...] = ()
    ms: float | None = None
    below_ms: float | None = None
    came_up: bool | None = None
    speed_gts: float | None = None
    width: int | None = None
    by_kernel_workaround: bool = False
    equalization: tuple[Equalization, ...] = ()
    lanes: dict[str, tuple[int, ...]] = {}
    errors: tuple[ErrorCount, ...] | None = None
    kernel: tuple[str, ...] = ()
    problem: str | None = None
    target_speed_gts: float | None = None
    """Target Link Speed of the port afterwards."""


class LinkTraining(msgspec.Struct, frozen=True, kw_only=True):
    """A link that was trained again and again, and how often it came up short of `expected`.

    `of` counts the trainings that were observed. `interval` is the exact binomial one of the share at 95 %, null where
    none was observed; `below` the one-sided bound where none was short.
    """

    downstream_port: str
    upstream_port: str
    title: str
    place_id: str = ""
    """How the link is wired, the same after buses were numbered anew."""
    component: Identity = Identity()
    port_kind: str | None = None
    """Vendor and device of the Downstream Port, as `0x1234:0x0001`; None where they were not read."""
    way: str
    means: str
    before: LinkState
    expected: LinkState
    ended: LinkState = LinkState()
    attempts: tuple[Attempt, ...] = ()
    asked: int = 0
    short: int = 0
    of: int = 0
    kinds: dict[str, int] = {}
    interval: tuple[float, float] | None = None
    below: float | None = None
    stopped: str | None = None
    back: bool | None = None
    loaded: bool | None = None
    restored: bool = True
    result: Result = Result.INCONCLUSIVE
    reasons: tuple[str, ...] = ()


class SpeedStep(msgspec.Struct, frozen=True, kw_only=True):
    """One generation at a link: whether both ends support it, the link trained to it, carried data, and was clean.

    null: not tried, or could not be told. `carries` is null where no load was given.
    """

    speed_gts: float
    supported: bool
    trained: bool | None = None
    carries: bool | None = None
    clean: bool | None = None
    state: LinkState = LinkState()
    attempts: tuple[Attempt, ...] = ()
    seconds: float = 0.0
    bytes_s: float | None = None
    errors: tuple[ErrorCount, ...] | None = None
    problem: str | None = None


class LinkSpeeds(msgspec.Struct, frozen=True, kw_only=True):
    """A link taken through the speeds that both of its ends support."""

    downstream_port: str
    upstream_port: str
    title: str
    place_id: str = ""
    """How the link is wired, the same after buses were numbered anew."""
    component: Identity = Identity()
    port_kind: str | None = None
    """Vendor and device of the Downstream Port, as `0x1234:0x0001`; None where they were not read."""
    means: str
    before: LinkState
    ended: LinkState = LinkState()
    speeds: tuple[SpeedStep, ...] = ()
    stopped: str | None = None
    back: bool | None = None
    loaded: bool | None = None
    restored: bool = True
    result: Result = Result.INCONCLUSIVE
    reasons: tuple[str, ...] = ()


class TrainingDocument(msgspec.Struct, frozen=True, kw_only=True):
    """What `train` found."""

    schema: str = Schema.TRAINING
    host: Host
    links: tuple[LinkTraining, ...]
    result: Result
    restored: bool
    reasons: tuple[str, ...] = ()
    leftovers: tuple[Leftover, ...] = ()


class SpeedsDocument(msgspec.Struct, frozen=True, kw_only=True):
    """What `speeds` found."""

    schema: str = Schema.SPEEDS
    host: Host
    links: tuple[LinkSpeeds, ...]
    result: Result
    restored: bool
    reasons: tuple[str, ...] = ()
    leftovers: tuple[Leftover, ...] = ()


class PlannedWrite(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that a test would write: what and where, the value that stands there, and the one to be written."""

    what: str
    where: str
    old: str | None
    new: str
    meaning: str


class Below(msgspec.Struct, frozen=True, kw_only=True):
    """A function that shares the fate of the link."""

    address: str
    name: str
    driver: str | None = None


class PlannedLink(msgspec.Struct, frozen=True, kw_only=True):
    """What a test would do at one link: its writes, who would be hit, how long it takes, what its number can show."""

    downstream_port: str
    upstream_port: str
    title: str
    state: LinkState
    means: str
    writes: tuple[PlannedWrite, ...]
    below: tuple[Below, ...]
    findings: tuple[Finding, ...] = ()
    lasts_s: float
    at_most_s: float
    shows: str
    times: int = 0
    """How many trainings; 0 where their number is not chosen."""


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """What an active test would do; nothing was written. `accept` are the words that it needs."""

    schema: str = Schema.PLAN
    command: str
    host: Host
    links: tuple[PlannedLink, ...]
    accept: tuple[str, ...] = ()
    refused: bool = False
    left_behind: str | None = None
    cautions: tuple[str, ...] = ()


class PutBackDocument(msgspec.Struct, frozen=True, kw_only=True):
    """What `put-back` did: the runs that had left something behind, and what is still not as it was."""

    schema: str = Schema.PUT_BACK
    runs: tuple[str, ...] = ()
    put_back: int = 0
    leftovers: tuple[Leftover, ...] = ()
    notes: tuple[str, ...] = ()


class TestedLink(Interface):
    """What every link of an active test says: whether it runs at what it ran at; None where that is not known."""

    @property
    def back(self) -> bool | None:
        """It does."""


class ActiveDocument(Interface):
    """What the documents of active tests have in common."""

    @property
    def links(self) -> Sequence[TestedLink]:
        """The links that were tested."""

    @property
    def restored(self) -> bool:
        """All that was written is as it was."""

    @property
    def result(self) -> Result:
        """Of the whole."""


def exit_status(document: ActiveDocument) -> ExitStatus:
    """0 good, 1 short, odd or not clean, 2 not back or not restored, 3 nothing measured."""
    if not document.restored or any(link.back is False for link in document.links):
        return ExitStatus.URGENT
    if document.result is Result.FAILED:
        return ExitStatus.FOUND
    return ExitStatus.CLEAN if document.result is Result.PASSED else ExitStatus.NOTHING_JUDGED
