"""What a load reports while it works: measured passes, and data that came back changed."""

import msgspec

TO_HOST, FROM_HOST, BOTH = "to host", "from host", "both"
READ_TWICE = "to host, twice"


class Pass(msgspec.Struct, frozen=True, kw_only=True, tag="pass"):
    """What a load moved over a target, and in how many seconds; `direction` is `to host`, `from host` or `both`.

    With a peer the data went between two places, over the links of both; `direction` then names the way.
    `lost` counts what was sent and never came, where the load can tell.
    `phase` and `phase_number` say what all loads of the run were doing meanwhile; None for a load that keeps no step.
    """

    t: float
    load: str
    target: str
    place_id: str = msgspec.field(name="place")
    direction: str
    bytes: int
    seconds: float
    verified: bool = False
    peer_place_id: str | None = msgspec.field(name="peer_place", default=None)
    phase: str | None = None
    phase_number: int | None = None
    lost: int = 0

    @property
    def places(self) -> frozenset[str]:
        """The ids of the places whose links it went over; none where it went over no link."""
        return frozenset(filter(None, (self.place_id, self.peer_place_id)))


class Mismatch(msgspec.Struct, frozen=True, kw_only=True, tag="mismatch"):
    """Data that came back other than it went: where, what was expected and found around it, how many bits differ.

    `times` counts this one and those since the one told before, of which many in a second are told as one.
    """

    t: float
    load: str
    target: str
    place_id: str = msgspec.field(name="place")
    offset: int
    expected: str
    found: str
    bits: int
    times: int = 1
