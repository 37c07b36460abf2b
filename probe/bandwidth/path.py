"""The links on the way from the root, and the narrowest of them."""

import msgspec

from probe.links.state import LinkState


class PathStep(msgspec.Struct, frozen=True, kw_only=True):
    """One link on the way from the root."""

    downstream_port: str | None
    upstream_port: str | None
    negotiated: LinkState
    bytes_s: int | None
    narrowest: bool = False
