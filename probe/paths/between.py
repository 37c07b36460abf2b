"""The way between two components: up from one to where the two meet, and down to the other. Pure."""

from collections.abc import Iterable, Mapping

import msgspec

from probe.audit.document import LinkDocument
from probe.bandwidth.path import PathStep

Ends = tuple[str | None, str | None]
"""The port above a link, and the first function below it."""


class Between(msgspec.Struct, frozen=True, kw_only=True):
    """The links on the way, where they meet, the narrowest, and the most payload that it carries, bytes a second.

    What one component writes to another goes up as it would to the host, and down in packets of the same size.
    """

    steps: tuple[PathStep, ...]
    through: str
    narrowest: PathStep | None
    ceiling_bytes_s: int | None


def ceilings_to_host(links: Iterable[LinkDocument]) -> dict[Ends, int]:
    """What each link carries to the host, by its ends, bytes a second of payload."""
    found = {(link.downstream_port, link.upstream_port): link.bandwidth.ceiling_bytes_s.to_host for link in links}
    return {ends: value for ends, value in found.items() if value is not None}


def between(
    one: LinkDocument, other: LinkDocument, ceilings: Mapping[Ends, int], *, by_the_root: bool = False
) -> Between:
    """The way between what is below two links; `ceilings` of links by their ends, payload to the host.

    `by_the_root`: it does not turn where the two meet, but goes on to the root and comes back over the same links.
    """
    common = [step for step, beside in zip(one.path, other.path, strict=False) if _ends(step) == _ends(beside)]
    shared = 0 if by_the_root else len(common)
    steps = (*reversed(one.path[shared:]), *other.path[shared:])
    known = [step for step in steps if step.bytes_s is not None]
    narrowest = min(known, key=lambda step: step.bytes_s or 0, default=None)
    carried = [ceilings.get(_ends(step)) for step in steps]
    whole = [value for value in carried if value is not None]
    return Between(
        steps=steps,
        through=_meeting(common, one, other),
        narrowest=narrowest,
        ceiling_bytes_s=min(whole) if whole and len(whole) == len(carried) else None,
    )


def _ends(step: PathStep) -> Ends:
    """Which link it is; which is the narrowest differs from way to way."""
    return step.downstream_port, step.upstream_port


def _meeting(common: list[PathStep], one: LinkDocument, other: LinkDocument) -> str:
    if common:
        return f"the switch at {common[-1].upstream_port}"
    if None in {one.downstream_port, other.downstream_port}:
        return "ports that are hidden here"
    return "the host's root ports"
