"""A snapshot made of evidence: the evidence itself, and the links as judged now."""

from probe import __version__
from probe.links.audit import audit
from probe.snapshot.document import Snapshot
from probe.snapshot.evidence import Evidence


def take(evidence: Evidence) -> Snapshot:
    """The snapshot of this evidence."""
    judged = audit(evidence)
    return Snapshot(
        written_by=f"linkprobe {__version__}", evidence=evidence, summary=judged.summary, links=judged.links
    )
