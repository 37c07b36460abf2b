"""The link object of one link: judged, measured, its errors attributed."""

from probe.audit.document import LinkDocument
from probe.bandwidth.of_link import bandwidth_of, oversubscription
from probe.bandwidth.path import path_to
from probe.errors.attribution import findings
from probe.errors.of_link import error_counters, status_errors
from probe.links.component import component_of
from probe.links.end import best_of
from probe.links.fact import value_of
from probe.links.kind_of_link import KindOfLink
from probe.links.link import Link
from probe.links.state import LinkState
from probe.registers.link import LinkControl, LinkControl2
from probe.verdict.equalization import equalization_by_end, equalized_by_end
from probe.verdict.lanes import lanes_in_error, suspects_of
from probe.verdict.next_steps import next_steps
from probe.verdict.rules import alarms, judge


def document_of(link: Link) -> LinkDocument:
    """The link as the documents have it."""
    judgement = judge(link)
    counters = error_counters(link)
    totals = counters.totals
    trouble = bool(totals.nonfatal or totals.fatal)
    return LinkDocument(
        downstream_port=str(link.port.address) if link.port else None,
        upstream_port=str(link.functions[0].address) if link.functions else None,
        verdict=judgement.word,
        shortfall=judgement.shortfall,
        negotiated=link.negotiated,
        possible=link.possible if link.functions else LinkState(),
        slot=link.slot,
        reasons=judgement.reasons,
        bandwidth=bandwidth_of(link),
        inside_card=link.kind is KindOfLink.INSIDE_CARD,
        kind=link.kind,
        urgent=judgement.urgent or trouble,
        silent=judgement.urgent,
        alarming=alarms(link, judgement) or trouble,
        port_best=best_of(link.port),
        component_best=best_of(link.component),
        component=component_of(link.functions),
        suspect_lanes=suspects_of(link, judgement.word),
        path=path_to(link),
        oversubscription=oversubscription(link),
        aspm=_aspm(link),
        errors=totals,
        error_findings=findings(counters.counts),
        place_id=link.place_id,
        lanes_in_error=lanes_in_error(link),
        equalized_gts=equalized_by_end(link),
        status_errors=status_errors(link),
        next_steps=next_steps(link, judgement),
        error_counts=counters.counts,
        counters=counters.by_function,
        equalization=equalization_by_end(link),
        target_gts=None if link.port is None else value_of(link.port.function.read(LinkControl2.target_link_speed)),
    )


def _aspm(link: Link) -> str | None:
    """ASPM Control of the two ends, which both must allow a state for it to be entered."""
    facts = [end.function.read(LinkControl.aspm_control) for end in link.ends]
    values = [fact.value for fact in facts if fact is not None]
    if not values or not link.functions:
        return None
    return values[0] if len(set(values)) == 1 else " / ".join(values)
