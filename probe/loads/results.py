"""What a load reports while it works: measured passes, and data that came back changed."""

import msgspec


class Pass(msgspec.Struct, frozen=True, kw_only=True, tag="pass"):
    """One measured pass of a load over a target; `direction` is `to host`, `from host` or `both`."""

    t: float
    load: str
    target: str
    place_id: str = msgspec.field(name="place")
    direction: str
    bytes: int
    seconds: float
    verified: bool = False


class Mismatch(msgspec.Struct, frozen=True, kw_only=True, tag="mismatch"):
    """Data that came back other than it went: where, what was expected and found around it, how many bits differ."""

    t: float
    load: str
    target: str
    place_id: str = msgspec.field(name="place")
    offset: int
    expected: str
    found: str
    bits: int
