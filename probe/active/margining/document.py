"""What `margin` says, as a document. It only grows; null is not measured or not told, never zero."""

import msgspec

from probe.active.margining.capabilities import Capabilities
from probe.active.restoring import Leftover
from probe.compare.identity import Identity
from probe.compare.tested import MarginChanged, NotMeasured
from probe.evidence import Host
from probe.links.state import LinkState
from probe.result import Result
from probe.schemas import Schema


class StepSeen(msgspec.Struct, frozen=True, kw_only=True):
    """What one step saw: errors among at least that many bits, in that many seconds."""

    steps: int
    errors: int
    bits: float | None
    seconds: float
    ratio_below: float | None = None
    """The upper 95 % bound of the bit error ratio, by Garwood's bound of the errors seen."""


class Side(msgspec.Struct, frozen=True, kw_only=True):
    """How far the sampling point went one way without too many errors.

    `steps` is the last step that passed, of `of_steps`; `at_least` says that the range ended there. `ui` and `volts`
    are nominal: only that they grow with the steps is required of a receiver. None where its range is not told.
    """

    steps: int
    at_least: bool
    ui: float | None = None
    volts: float | None = None
    of_steps: int
    last_good: StepSeen | None = None
    first_bad: StepSeen | None = None


TIMING_SIDES = ("left", "right", "both_sides")
VOLTAGE_SIDES = ("up", "down", "both_levels")
SIDES = (*TIMING_SIDES, *VOLTAGE_SIDES)


class LaneMargin(msgspec.Struct, frozen=True, kw_only=True):
    """One logical lane of one receiver. Ways that are not independent stand once, as `both_sides` or `both_levels`.

    `unmeasured` says why the lane or some of its ways could not be measured; `unmeasured_sides` says it way by way.
    """

    lane: int
    left: Side | None = None
    right: Side | None = None
    up: Side | None = None
    down: Side | None = None
    both_sides: Side | None = None
    both_levels: Side | None = None
    unmeasured: str | None = None
    unmeasured_sides: dict[str, str] = {}
    notes: tuple[str, ...] = ()

    def side(self, name: str) -> Side | None:
        """One of its ways, by name."""
        found: Side | None = getattr(self, name)
        return found


class OddLane(msgspec.Struct, frozen=True, kw_only=True):
    """A lane that is narrower or wider, one way, than its fellows: by how many steps, of what median and spread."""

    receiver: int
    lane: int
    side: str
    steps: int
    median_steps: float
    spread_steps: float
    score: float
    narrower: bool


class ReceiverMargin(msgspec.Struct, frozen=True, kw_only=True):
    """One receiver of a link: 1 in the Downstream Port, 2 to 5 in retimers, 6 in the Upstream Port."""

    number: int
    name: str
    lanes: tuple[LaneMargin, ...] = ()
    capabilities: Capabilities | None = None
    unmeasured: str | None = None


class AmongPeers(msgspec.Struct, frozen=True, kw_only=True):
    """The middle lane of a link, one way, among the middle lanes of links of its kind; `links` counts it too.

    `unit` is UI or V, or steps where receivers do not tell what they stand for.
    """

    receiver: int
    side: str
    unit: str
    value: float
    median: float
    spread: float
    score: float
    links: int
    odd: bool
    narrower: bool


class HeldAgainst(msgspec.Struct, frozen=True, kw_only=True):
    """What earlier results say: the record of the same link, and links of its kind."""

    earlier_at: str | None = None
    """When the newest earlier record of this link was taken; None where there is none."""
    comparable: bool = True
    """That record was measured as this one was."""
    changes: tuple[MarginChanged | NotMeasured, ...] = ()
    peers: tuple[AmongPeers, ...] = ()


class MarginedLink(msgspec.Struct, frozen=True, kw_only=True):
    """One link: what each receiver's lanes have, how they compare, and whether all is as it was.

    `speed_gts` and `width` are those at which it was measured, `ended` what it runs at when all is put back,
    `back` that this is not less.
    """

    downstream_port: str
    upstream_port: str
    title: str
    place_id: str = ""
    """How the link is wired, the same after buses were numbered anew."""
    component: Identity = Identity()
    port_kind: str | None = None
    """Vendor and device of the Downstream Port, as `0x1234:0x0001`; None where they were not read."""
    speed_gts: float | None
    width: int | None
    receivers: tuple[ReceiverMargin, ...] = ()
    ended: LinkState = LinkState()
    odd_lanes: tuple[OddLane, ...] = ()
    held_against: HeldAgainst = HeldAgainst()
    back: bool | None = None
    stopped: str | None = None
    restored: bool = True
    not_normal: tuple[str, ...] = ()
    """Lanes that were moved and have not acknowledged going back to normal settings."""
    loaded: bool | None = None
    result: Result = Result.INCONCLUSIVE
    reasons: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class Limits(msgspec.Struct, frozen=True, kw_only=True):
    """What a person holds each way of each lane to, at least; None for no limit."""

    at_least_ui: float | None = None
    at_least_volts: float | None = None


class Settings(msgspec.Struct, frozen=True, kw_only=True):
    """How a run was done."""

    seconds: float
    error_limit: int
    limits: Limits = Limits()

    def same_method(self, other: "Settings") -> bool:
        """Margins of both can be held against each other: they come from as many bits and errors."""
        return (self.seconds, self.error_limit) == (other.seconds, other.error_limit)


class MarginDocument(msgspec.Struct, frozen=True, kw_only=True):
    """What `margin` found."""

    schema: str = Schema.MARGIN
    host: Host
    settings: Settings
    links: tuple[MarginedLink, ...]
    result: Result
    restored: bool
    reasons: tuple[str, ...] = ()
    leftovers: tuple[Leftover, ...] = ()
