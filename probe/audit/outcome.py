"""The exit status that a judged machine ends in, the same for every command."""

from probe.audit.document import AuditDocument, LinkDocument
from probe.evidence import Why, of_a_function
from probe.exit_status import ExitStatus, status_of
from probe.links.kind_of_link import KindOfLink
from probe.verdict.verdicts import Verdict


def exit_status(document: AuditDocument, *, strict: bool = False) -> ExitStatus:
    """2 if anything is urgent or a function gives no answer, 1 if anything is found, 3 if nothing is judged, else 0.

    `strict` counts limited, resting and unjudged links in slots as findings too.
    """
    judged = any(link.verdict is not Verdict.UNJUDGED for link in document.links)
    counts_as_found = strict and judged and any(map(found_if_strict, document.links))
    return status_of(
        urgent=any(link.urgent for link in document.links)
        or any(item.urgent for item in document.deviations)
        or any(item.why is Why.HUNG and of_a_function(item) for item in document.unread),
        found=any(not item.undecided for item in document.deviations)
        or any(link.alarming for link in document.links)
        or counts_as_found,
        judged=judged and not any(item.undecided for item in document.deviations),
    )


def found_if_strict(link: LinkDocument) -> bool:
    """Whether a link is a finding where an audit is told to be strict."""
    return link.alarming or (link.kind is KindOfLink.SLOT and link.verdict.strict)


def status_of_link(link: LinkDocument) -> ExitStatus:
    """The status that the verdict of one link ends in."""
    return status_of(urgent=link.urgent, found=link.alarming, judged=link.verdict is not Verdict.UNJUDGED)
