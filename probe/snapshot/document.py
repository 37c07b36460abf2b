"""The snapshot: a machine's evidence with the links as they were judged when it was taken."""

import msgspec

from probe.snapshot.audit import LinkDocument
from probe.snapshot.evidence import Evidence


class Snapshot(msgspec.Struct, frozen=True, kw_only=True):
    """What is saved. Readers judge `evidence` anew; `summary` and `links` serve programs that only read JSON."""

    schema: str = "linkprobe/snapshot/1"
    written_by: str
    evidence: Evidence
    summary: dict[str, int]
    links: tuple[LinkDocument, ...]
