"""The links on the way from the root, and the narrowest of them."""

import msgspec

from probe.bandwidth.of_link import rate
from probe.links.link import Link
from probe.links.state import LinkState


class PathStep(msgspec.Struct, frozen=True, kw_only=True):
    """One link on the way from the root."""

    downstream_port: str | None
    upstream_port: str | None
    negotiated: LinkState
    bytes_s: int | None
    narrowest: bool = False


def path_to(link: Link) -> tuple[PathStep, ...]:
    """The path from the root; the narrowest has the least product of rate and width, a tie goes to the root.

    Kernel pcie_bandwidth_available and commit 9e506a7b5147.
    """
    if not link.functions:
        return ()
    rates = [rate(item.negotiated) for item in link.chain]
    known = [value for value in rates if value is not None]
    narrowest = rates.index(min(known)) if known else -1
    return tuple(
        PathStep(
            downstream_port=str(item.port.address) if item.port else None,
            upstream_port=str(item.functions[0].address) if item.functions else None,
            negotiated=item.negotiated,
            bytes_s=None if value is None else int(value),
            narrowest=index == narrowest and len(rates) > 1,
        )
        for index, (item, value) in enumerate(zip(link.chain, rates, strict=True))
    )
