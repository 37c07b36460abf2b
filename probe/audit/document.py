"""The audit document: what `audit --json` prints, and the link object that a snapshot shares with it.

A saved format only grows: a new field has a default, and no field ever changes its type. null is not read, never zero.
"""

import msgspec

from probe.bandwidth.of_link import Bandwidth
from probe.bandwidth.path import PathStep
from probe.errors.attribution import ErrorFinding
from probe.errors.counts import ErrorCount, ErrorTotals
from probe.evidence import Host, Unread
from probe.links.component import Component
from probe.links.kind_of_link import KindOfLink
from probe.links.link import WhichEnd
from probe.links.reason import Reason
from probe.links.slots import Slot
from probe.links.speed_limits import Holder
from probe.links.state import LinkState
from probe.schemas import Schema
from probe.settings.of_link import Settings
from probe.verdict.observation import Observation
from probe.verdict.verdicts import Verdict


class LinkDocument(msgspec.Struct, frozen=True, kw_only=True):
    """One physical link. Field names are a contract with programs outside this project.

    What both ends may say (`lanes_in_error`, `status_errors`, `equalization`) lacks an end that was not read.
    `error_counts` holds no zeros; `counters` has the totals of each function, null where a counter was not read.
    `target_gts` is the Target Link Speed of the port; `settings` are what firmware and the kernel have set.
    `power_fault_detected` is what `power_fault` alarms by, `contained` that the port holds its link down for an error.
    """

    downstream_port: str | None
    upstream_port: str | None
    verdict: Verdict
    shortfall: tuple[str, ...] = ()
    negotiated: LinkState = LinkState()
    possible: LinkState = LinkState()
    slot: Slot | None = None
    reasons: tuple[Reason, ...] = ()
    bandwidth: Bandwidth = Bandwidth()
    inside_card: bool = False
    kind: KindOfLink = msgspec.field(default=KindOfLink.SLOT, name="standing")
    urgent: bool = False
    silent: bool = False
    alarming: bool = False
    port_best: LinkState = LinkState()
    component_best: LinkState = LinkState()
    component: Component | None = None
    suspect_lanes: tuple[int, ...] = ()
    path: tuple[PathStep, ...] = ()
    oversubscription: float | None = None
    aspm: str | None = None
    errors: ErrorTotals = ErrorTotals()
    error_findings: tuple[ErrorFinding, ...] = ()
    place_id: str = ""
    lanes_in_error: dict[WhichEnd, tuple[int, ...]] = {}
    equalized_gts: dict[WhichEnd, tuple[str, ...]] = {}
    status_errors: dict[WhichEnd, tuple[str, ...]] = {}
    next_steps: tuple[str, ...] = ()
    error_counts: tuple[ErrorCount, ...] = ()
    counters: dict[str, ErrorTotals] = {}
    equalization: dict[WhichEnd, dict[str, bool]] = {}
    held_by: Holder | None = None
    doubtful: bool = False
    limits_exceeded: tuple[str, ...] = ()
    target_gts: float | None = None
    numa_node: int | None = None
    power_fault: bool = False
    power_fault_detected: bool | None = None
    contained: bool | None = None
    settings: Settings | None = None


class Deviation(msgspec.Struct, frozen=True, kw_only=True):
    """Where a machine is not what an expectation says. `rule` names the rule as the file has it.

    `undecided` says that it cannot be told, since what the rule asks for was not read.
    """

    rule: str
    place: str | None
    sentence: str
    urgent: bool = False
    undecided: bool = False

    @property
    def label(self) -> str:
        """What it is, to stand before it."""
        return "cannot be told" if self.undecided else "not as expected"


class AuditDocument(msgspec.Struct, frozen=True, kw_only=True):
    """Every link of a machine, judged."""

    schema: str = Schema.AUDIT
    host: Host
    summary: dict[str, int]
    links: tuple[LinkDocument, ...]
    observations: tuple[Observation, ...] = ()
    deviations: tuple[Deviation, ...] = ()
    unread: tuple[Unread, ...] = ()
