"""The audit document: what `audit --json` prints, and the link object that a snapshot shares with it.

A saved format only grows: a new field has a default, and no field ever changes its type. null is not read, never zero.
"""

from enum import StrEnum

import msgspec

from probe.snapshot.evidence import Host, Names, Unread


class Word(StrEnum):
    """The verdict of a link, exactly one of these."""

    FULL = "full"
    LIMITED = "limited"
    DOWNTRAINED = "downtrained"
    CAPPED = "capped"
    RESTING = "resting"
    EMPTY = "empty"
    UNJUDGED = "unjudged"


class Standing(StrEnum):
    """What kind of place a link has; only a slot can raise an alarm."""

    SLOT = "slot"
    INSIDE_CARD = "inside card"
    TUNNEL = "tunnel"
    INTEGRATED = "integrated"


class Reason(msgspec.Struct, frozen=True):
    """The register, file or log line a verdict rests on, what stood there, and what it means."""

    source: str
    value: str
    meaning: str


class LinkState(msgspec.Struct, frozen=True):
    """Speed in GT/s and width in lanes; None where not read."""

    speed_gts: float | None = None
    width: int | None = None

    def __str__(self) -> str:
        """As screens show it."""
        if self.speed_gts is None or self.width is None:
            return "not read"
        return f"{self.speed_gts:g} GT/s x{self.width}"


class Ceiling(msgspec.Struct, frozen=True):
    """Most payload each way, bytes a second, at the negotiated state and the payload sizes in force."""

    to_host: int | None = None
    from_host: int | None = None


class Bandwidth(msgspec.Struct, frozen=True, kw_only=True):
    """Bytes a second (SI), one direction. The first two after line encoding; the ceiling after packet overhead.

    `read_floor_bytes_s` is what reads carry where each completion is only one Read Completion Boundary long.
    """

    negotiated_bytes_s: int | None = None
    possible_bytes_s: int | None = None
    ceiling_bytes_s: Ceiling = Ceiling()
    read_floor_bytes_s: int | None = None
    max_payload_size: int | None = None
    max_read_request_size: int | None = None
    flit_mode: bool | None = None


class NameOfPlace(msgspec.Struct, frozen=True):
    """One name of a slot and who gives it."""

    source: str
    name: str


class Slot(msgspec.Struct, frozen=True, kw_only=True):
    """Where a link is, by every name found."""

    title: str | None
    names: tuple[NameOfPlace, ...] = ()
    agreement: str | None = None
    number: int | None = None
    smbios_type: str | None = None
    smbios_lanes: int | None = None
    smbios_usage: str | None = None
    power_limit_w: float | None = None


class Component(msgspec.Struct, frozen=True, kw_only=True):
    """What sits below the port."""

    names: Names
    vendor_id: str | None = None
    device_id: str | None = None
    class_code: str | None = None
    subsystem_id: str | None = None
    serial: str | None = None
    driver: str | None = None
    numa_node: int | None = None
    iommu_group: str | None = None
    power_state: str | None = None
    functions: tuple[str, ...] = ()


class ErrorTotals(msgspec.Struct, frozen=True):
    """The kernel's error counts for a link since boot, by severity; None where no counter was read."""

    correctable: int | None = None
    nonfatal: int | None = None
    fatal: int | None = None


class ErrorRow(msgspec.Struct, frozen=True):
    """One error as one end counted it; `function` is the one that counted most."""

    error: str
    count: int
    end: str
    function: str
    meaning: str
    causes: str


class ErrorFinding(msgspec.Struct, frozen=True):
    """Errors that point the same way, told once. `events` is the least number of events that explains them."""

    severity: str
    direction: str
    events: int
    rows: tuple[ErrorRow, ...]


class PathStep(msgspec.Struct, frozen=True, kw_only=True):
    """One link on the way from the root."""

    downstream_port: str | None
    upstream_port: str | None
    negotiated: LinkState
    bytes_s: int | None
    narrowest: bool = False


class LinkDocument(msgspec.Struct, frozen=True, kw_only=True):
    """One physical link. Field names are a contract with programs outside this project."""

    downstream_port: str | None
    upstream_port: str | None
    verdict: Word
    shortfall: tuple[str, ...] = ()
    negotiated: LinkState = LinkState()
    possible: LinkState = LinkState()
    slot: Slot | None = None
    reasons: tuple[Reason, ...] = ()
    bandwidth: Bandwidth = Bandwidth()
    inside_card: bool = False
    standing: Standing = Standing.SLOT
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
    lanes_in_error: dict[str, tuple[int, ...]] = {}
    equalized_gts: dict[str, tuple[str, ...]] = {}
    status_errors: dict[str, tuple[str, ...]] = {}
    next_steps: tuple[str, ...] = ()


class Observation(msgspec.Struct, frozen=True):
    """Something about the machine that belongs to no single link's verdict."""

    subject: str
    meaning: str


class Deviation(msgspec.Struct, frozen=True, kw_only=True):
    """Where a machine is not what an expectation says. `rule` names the rule as the file has it."""

    rule: str
    place: str | None
    sentence: str
    urgent: bool = False


class AuditDocument(msgspec.Struct, frozen=True, kw_only=True):
    """Every link of a machine, judged."""

    schema: str = "linkprobe/audit/1"
    host: Host
    summary: dict[str, int]
    links: tuple[LinkDocument, ...]
    observations: tuple[Observation, ...] = ()
    deviations: tuple[Deviation, ...] = ()
    unread: tuple[Unread, ...] = ()
