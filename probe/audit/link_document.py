"""The link object of one link: judged, measured, its errors attributed."""

from collections.abc import Iterable

from probe.audit.document import LinkDocument
from probe.bandwidth.of_link import bandwidth_of, oversubscription
from probe.bandwidth.path import path_to
from probe.errors.attribution import ErrorFinding, findings, sentence
from probe.errors.limits import Limits
from probe.errors.of_link import error_counters, status_errors
from probe.kernel_spellings import NUMA_NODE
from probe.links.component import component_of
from probe.links.end import best_of
from probe.links.fact import value_of
from probe.links.kind_of_link import KindOfLink
from probe.links.link import Link
from probe.links.state import LinkState
from probe.registers.containment import DpcStatus
from probe.registers.errors import Severity
from probe.registers.link import LinkControl, LinkControl2, LinkStatus2
from probe.settings.of_link import settings_of
from probe.verdict.attachment import power_fault_detected
from probe.verdict.equalization import equalization_by_end, equalized_by_end
from probe.verdict.lanes import lanes_in_error, suspects_of
from probe.verdict.next_steps import next_steps, steps_for_errors
from probe.verdict.rules import alarms, judge
from probe.verdict.verdicts import Verdict


def document_of(link: Link, uptime_s: float | None = None) -> LinkDocument:
    """The link as the documents have it; `uptime_s` is how long its counters have counted at the most."""
    judgement = judge(link)
    counters = error_counters(link)
    totals = counters.totals
    trouble = bool(totals.nonfatal or totals.fatal)
    found = findings(counters.counts)
    exceeded = _limits_exceeded(link, found, uptime_s)
    steps = next_steps(link, judgement)
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
        alarming=alarms(link, judgement) or trouble or bool(exceeded),
        port_best=best_of(link.port),
        component_best=best_of(link.component),
        component=component_of(link.functions),
        suspect_lanes=suspects_of(link, judgement.word),
        path=path_to(link),
        oversubscription=oversubscription(link),
        aspm=_aspm(link),
        errors=totals,
        error_findings=found,
        place_id=link.place_id,
        lanes_in_error=lanes_in_error(link),
        equalized_gts=equalized_by_end(link),
        status_errors=status_errors(link),
        next_steps=steps or (steps_for_errors() if exceeded or trouble else ()),
        error_counts=counters.counts,
        counters=counters.by_function,
        equalization=equalization_by_end(link),
        held_by=link.speed_limits[0].holder if judgement.word is Verdict.CAPPED and link.speed_limits else None,
        doubtful=judgement.doubtful,
        limits_exceeded=exceeded,
        numa_node=_numa_node(link),
        power_fault=power_fault_detected(link) is True,
        power_fault_detected=power_fault_detected(link),
        contained=value_of(link.port_fact(DpcStatus.dpc_trigger_status)),
        target_gts=None if link.port is None else value_of(link.port.function.read(LinkControl2.target_link_speed)),
        settings=settings_of(link),
    )


def _numa_node(link: Link) -> int | None:
    """The memory node of the component, else of the port, that the kernel tells of; -1 is none."""
    functions = [*link.functions[:1], *([link.port.function] if link.port else [])]
    told = (function.evidence.attributes.get(NUMA_NODE, "") for function in functions)
    return next((int(text) for text in told if text.isdecimal()), None)


def _aspm(link: Link) -> str | None:
    """ASPM Control of the two ends, which both must allow a state for it to be entered."""
    facts = [end.function.read(LinkControl.aspm_control) for end in link.ends]
    values = [fact.value for fact in facts if fact is not None]
    if not values or not link.functions:
        return None
    return values[0] if len(set(values)) == 1 else " / ".join(values)


def _limits_exceeded(link: Link, found: Iterable[ErrorFinding], uptime_s: float | None) -> tuple[str, ...]:
    """The published limits that counts and uptime alone prove exceeded. In Flit mode corrected errors are normal."""
    if link.kind is not KindOfLink.SLOT:
        return ()
    told_by_ends = [end.function.read(LinkStatus2.flit_mode_status) for end in link.ends]
    flit = any(fact is not None and fact.value for fact in told_by_ends)
    told = []
    for finding in found:
        limit = Limits().proven_by(finding, uptime_s)
        if limit is not None and not (flit and finding.severity == Severity.CORRECTABLE):
            told.append(
                f"{sentence(finding)} in {(uptime_s or 0.0) / 3600.0:.3g} h: more than {limit}, the published limit"
            )
    return tuple(told)
