"""One sentence for a link: what it is and why, for a table and a log line. Reads the documents only."""

from probe.audit.document import AuditDocument, LinkDocument
from probe.counted import counted
from probe.links.kind_of_link import KindOfLink
from probe.links.speed_limits import Holder
from probe.registers.errors import Severity
from probe.verdict.verdicts import Verdict

_HELD_BY = {
    Holder.COOLING: " by the kernel, to cool the port",
    Holder.WORKAROUND: " by the kernel, since it did not work faster",
}
_DOUBT = ", or idle: judge under load"


def headline(link: LinkDocument) -> str:
    """Why the verdict, in one sentence; a power fault stands before it."""
    if not link.power_fault:
        return _why(link)
    fault = "the slot's power controller detected a power fault"
    return fault if link.verdict is Verdict.UNJUDGED else f"{fault}; {_why(link)}"


def _why(link: LinkDocument) -> str:
    if link.errors.fatal or link.errors.nonfatal:
        return _uncorrectable(link)
    if link.limits_exceeded:
        return link.limits_exceeded[0]
    match link.verdict:
        case Verdict.FULL:
            one_end = None in {link.port_best.speed_gts, link.component_best.speed_gts}
            return f"runs at the best {'its one visible end' if one_end else 'both ends'} can do"
        case Verdict.EMPTY:
            return "nothing attached"
        case Verdict.LIMITED:
            return f"limited in {_lesser(link)} by its slot; the component could do more in a better one"
        case Verdict.DOWNTRAINED:
            told = f"trained to {link.negotiated} where both ends can do {link.possible}{_suspects(link)}"
            return f"{told}{_DOUBT}" if link.doubtful else told
        case Verdict.CAPPED:
            by = "" if link.held_by is None else _HELD_BY[link.held_by]
            return f"held at {link.negotiated.speed_gts or 0:g} GT/s{by}; both ends can do {link.possible}"
        case Verdict.RESTING:
            return f"slower now to save power ({link.reasons[0].source}: {link.reasons[0].value})"
        case _:
            return link.reasons[-1 if link.shortfall else 0].meaning


def _lesser(link: LinkDocument) -> str:
    """In what the slot is below its component."""
    slot, card = link.port_best, link.component_best
    pairs = (("speed", slot.speed_gts, card.speed_gts), ("width", slot.width, card.width))
    return " and ".join(
        name for name, above, below in pairs if above is not None and below is not None and above < below
    )


def _uncorrectable(link: LinkDocument) -> str:
    counts = ((link.errors.fatal, Severity.FATAL.words), (link.errors.nonfatal, Severity.NONFATAL.words))
    told = " and ".join(counted(count, f"{severity} error") for count, severity in counts if count)
    return f"{told} counted since boot; the link is {link.verdict}"


def _suspects(link: LinkDocument) -> str:
    lanes = link.suspect_lanes
    if not lanes:
        return ""
    return f"; suspect lane {lanes[0]}" if len(lanes) == 1 else f"; suspect lanes {lanes[0]} to {lanes[-1]}"


def nothing_to_judge(document: AuditDocument) -> str | None:
    """A calm sentence for a machine of tunnels alone, or with nothing attached; None for any other."""
    links = document.links
    in_slots = [link for link in links if link.kind is KindOfLink.SLOT and link.verdict is not Verdict.EMPTY]
    if not links or in_slots or document.deviations or any(link.alarming or link.urgent for link in links):
        return None
    if any(link.kind is KindOfLink.TUNNEL for link in links):
        return "Only tunnels here: the rate they state is not the rate they have. There is nothing to judge, or to do."
    if all(link.verdict is Verdict.EMPTY for link in links):
        return "Nothing is attached to any port. There is nothing to judge, or to do."
    return None


def where(link: LinkDocument) -> str:
    """The address a person names the link by: the component's, else the port's."""
    return link.upstream_port or link.downstream_port or "?"
