"""A snapshot made of evidence: the evidence itself, and the links as judged now."""

import msgspec

from probe import __version__
from probe.audit.audit import audit
from probe.audit.document import LinkDocument
from probe.evidence import Evidence
from probe.schemas import Schema


class Snapshot(msgspec.Struct, frozen=True, kw_only=True):
    """What is saved. Readers judge `evidence` anew; `summary` and `links` serve programs that only read JSON."""

    schema: str = Schema.SNAPSHOT
    written_by: str
    evidence: Evidence
    summary: dict[str, int]
    links: tuple[LinkDocument, ...]


def take(evidence: Evidence) -> Snapshot:
    """The snapshot of this evidence."""
    judged = audit(evidence)
    return Snapshot(
        written_by=f"linkprobe {__version__}", evidence=evidence, summary=judged.summary, links=judged.links
    )


def judged_links(snapshot: Snapshot) -> tuple[LinkDocument, ...]:
    """The links as this version judges them; those saved by this same version are taken as they are."""
    if snapshot.written_by == f"linkprobe {__version__}":
        return snapshot.links
    return audit(snapshot.evidence).links
