"""Evidence in, the audit document out: every link of a machine found, judged and measured."""

from collections import Counter

from probe.audit.document import AuditDocument
from probe.audit.link_document import document_of
from probe.audit.observations import observations
from probe.evidence import Evidence
from probe.links.machine import find_links
from probe.links.topology import topology
from probe.verdict.verdicts import Verdict


def audit(evidence: Evidence) -> AuditDocument:
    """Judge every link that the evidence shows, in address order."""
    tree = topology(evidence)
    documents = tuple(document_of(link, evidence.host.uptime_s) for link in find_links(evidence, tree))
    counts = Counter(document.verdict for document in documents)
    return AuditDocument(
        host=evidence.host,
        summary={word.value: counts[word] for word in Verdict},
        links=documents,
        observations=observations(evidence, tree),
        unread=(*evidence.unread, *(item for function in evidence.functions for item in function.unread)),
    )
