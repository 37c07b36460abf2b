"""The rows that questions are put to, made from chronicles: the store's schema, in one place. It only grows.

Times are seconds since 1970, UTC. None is not read, or not over yet.
"""

import msgspec


class HostRow(msgspec.Struct, frozen=True, kw_only=True):
    """One host. `odd_clock`: a boot's wall clock cannot be right. `twins`: two machines answer to its id."""

    host: str
    name: str
    board: str | None
    product: str | None
    first_s: int
    last_s: int
    usual_gap_s: int | None
    boots: int
    snapshots: int
    links: int
    odd_clock: bool
    twins: bool


class BeatRow(msgspec.Struct, frozen=True, kw_only=True):
    """A host was heard of on a day (its first second, UTC)."""

    host: str
    day_s: int
    first_s: int
    last_s: int
    snapshots: int


class LinkRow(msgspec.Struct, frozen=True, kw_only=True):
    """A link as it was over a time. `to_s` is None while it still is so."""

    host: str
    name: str
    board: str | None
    place_id: str
    place: str
    address: str
    component: str | None
    kind: str | None
    identity: str | None
    verdict: str
    standing: str
    alarming: bool
    silent: bool
    speed_gts: float | None
    width: int | None
    possible_speed_gts: float | None
    possible_width: int | None
    reason: str | None
    from_s: int
    to_s: int | None


class OccupantRow(msgspec.Struct, frozen=True, kw_only=True):
    """A component in a place. `boots`: in how many it was seen; `short`: in how many of them below capability.

    `watched_s` is how long its counters were read, and since `watched_since_s` they still are.
    """

    host: str
    name: str
    board: str | None
    place_id: str
    place: str
    standing: str
    component: str | None
    kind: str | None
    identity: str | None
    from_s: int
    to_s: int | None
    boots: int
    short: int
    watched_s: int
    watched_since_s: int | None


class RiseRow(msgspec.Struct, frozen=True, kw_only=True):
    """Errors of a link that came between two times. `family`: link or data, for which limits are published."""

    host: str
    name: str
    board: str | None
    place_id: str
    place: str
    address: str
    component: str | None
    identity: str | None
    severity: str
    family: str | None
    events: int
    since_s: int
    until_s: int
    at_least: bool


class ResultRow(msgspec.Struct, frozen=True, kw_only=True):
    """What a test said of a link."""

    host: str
    name: str
    board: str | None
    place_id: str
    place: str
    kind: str | None
    test: str
    taken_s: int
    result: str
    reasons: str | None
    margin_ui: float | None
    margin_volts: float | None
    trainings: int | None
    trainings_short: int | None


class ChronicleRow(msgspec.Struct, frozen=True, kw_only=True):
    """A host's chronicle, as MessagePack, from which all other rows are made."""

    host: str
    chronicle: bytes


class AsideRow(msgspec.Struct, frozen=True, kw_only=True):
    """A file that could not be used: its name, the digest of its bytes, and why."""

    file: str
    digest: str
    reason: str
    at_s: int


Row = AsideRow | HostRow | BeatRow | LinkRow | OccupantRow | RiseRow | ResultRow | ChronicleRow
KINDS: dict[str, type[msgspec.Struct]] = {
    "hosts": HostRow, "beats": BeatRow, "links": LinkRow, "occupants": OccupantRow, "rises": RiseRow,
    "results": ResultRow, "chronicles": ChronicleRow, "aside": AsideRow,
}  # fmt: skip
OF_HOSTS = tuple(kind for kind in KINDS if kind != "aside")
"""The kinds whose rows are each of one host."""

QUIET = frozenset({"hosts", "beats", "chronicles"})
"""What changes where a snapshot shows nothing new."""
