"""Evidence in, the audit document out: every link of a machine found, judged and measured."""

from collections import Counter
from collections.abc import Iterable, Iterator
from fractions import Fraction

from probe.address import Address
from probe.audit.document import AuditDocument, LinkDocument
from probe.audit.observations import observations
from probe.bandwidth.ceiling import Ceiling, carries, line_rate, line_rate_bytes_s
from probe.bandwidth.of_link import Bandwidth
from probe.bandwidth.path import PathStep
from probe.errors.attribution import COMPONENT, PORT, SEVERITIES, Count, findings
from probe.errors.counts import ErrorTotals
from probe.evidence import Evidence
from probe.kernel_spellings import error_total, nonzero_counts
from probe.links.component import component_of
from probe.links.facts import FunctionFacts, LinkEnd, value_of
from probe.links.kind_of_link import KindOfLink, standing
from probe.links.link import Link, best_of, make_link
from probe.links.slots import Places, slot_of
from probe.links.speed_limits import SpeedHolders
from probe.links.state import LinkState
from probe.links.topology import Pair, Topology, topology
from probe.registers import errors, express, physical
from probe.registers.header import SECONDARY_BUS
from probe.verdict.lanes import lanes_of, suspect_lanes
from probe.verdict.next_steps import next_steps
from probe.verdict.reasons import equalized_rates
from probe.verdict.rules import Judgement, alarms, judge
from probe.verdict.words import Verdict


def audit(evidence: Evidence) -> AuditDocument:
    """Judge every link that the evidence shows, in address order."""
    tree = topology(evidence)
    machine = Machine(evidence, tree)
    documents = tuple(machine.document(pair) for pair in tree.pairs)
    counts = Counter(document.verdict for document in documents)
    return AuditDocument(
        host=evidence.host,
        summary={word.value: counts[word] for word in Verdict},
        links=documents,
        observations=observations(evidence, tree),
        unread=(*evidence.unread, *(item for function in evidence.functions for item in function.unread)),
    )


class Machine:
    """The links of one machine, each made once."""

    def __init__(self, evidence: Evidence, tree: Topology) -> None:
        self.tree = tree
        places, holders = Places(evidence), SpeedHolders(evidence)
        self.links: dict[Address, Link] = {}
        self._by_end: dict[Address, Link] = {}
        for pair in tree.pairs:
            port = pair.port
            secondary = None if port is None else port.space.raw(SECONDARY_BUS.offset, 1)
            place = places.of(port, pair.below, secondary)
            link = make_link(pair, standing(pair, tree), place, holders.of(port.address if port else None))
            self.links[_key(pair)] = link
            for end in (*([port] if port else []), *pair.below):
                self._by_end[end.address] = link

    def document(self, pair: Pair) -> LinkDocument:
        """The link object of one pair."""
        link = self.links[_key(pair)]
        judgement = judge(link)
        totals = _errors(link)
        trouble = bool(totals.nonfatal or totals.fatal)
        judged_path = self._path(link)
        empty = not link.functions
        return LinkDocument(
            downstream_port=str(link.port.address) if link.port else None,
            upstream_port=str(link.functions[0].address) if link.functions else None,
            verdict=judgement.word,
            shortfall=judgement.shortfall,
            negotiated=link.negotiated,
            possible=LinkState() if empty else link.possible,
            slot=slot_of(link.place),
            reasons=judgement.reasons,
            bandwidth=self._bandwidth(link),
            inside_card=link.standing is KindOfLink.INSIDE_CARD,
            standing=link.standing,
            urgent=judgement.urgent or trouble,
            silent=judgement.urgent,
            alarming=alarms(link, judgement) or trouble,
            port_best=best_of(link.port),
            component_best=best_of(link.component),
            component=component_of(link.functions),
            suspect_lanes=_suspects(link, judgement),
            path=judged_path,
            oversubscription=self._oversubscription(link),
            aspm=_aspm(link),
            errors=totals,
            error_findings=findings(_counts(link)),
            place_id=self.tree.place_id(link.ends[0].function),
            lanes_in_error=_lanes_in_error(link),
            equalized_gts=_equalized(link),
            status_errors=_status_errors(link),
            next_steps=next_steps(link, judgement),
        )

    def _chain(self, link: Link) -> list[Link]:
        """The links from the root to this one."""
        ends = self.tree.path(link.functions[0] if link.functions else link.ends[0].function)
        chain: list[Link] = []
        for function in ends:
            found = self._by_end.get(function.address)
            if found is not None and found not in chain:
                chain.append(found)
        return chain

    def _path(self, link: Link) -> tuple[PathStep, ...]:
        """The path from the root; the narrowest has the least product of rate and width, a tie goes to the root.

        Kernel pcie_bandwidth_available and commit 9e506a7b5147.
        """
        if not link.functions:
            return ()
        chain = self._chain(link)
        rates = [_rate(item.negotiated) for item in chain]
        known = [rate for rate in rates if rate is not None]
        narrowest = rates.index(min(known)) if known else -1
        return tuple(
            PathStep(
                downstream_port=str(item.port.address) if item.port else None,
                upstream_port=str(item.functions[0].address) if item.functions else None,
                negotiated=item.negotiated,
                bytes_s=None if rate is None else int(rate),
                narrowest=index == narrowest and len(chain) > 1,
            )
            for index, (item, rate) in enumerate(zip(chain, rates, strict=True))
        )

    def _bandwidth(self, link: Link) -> Bandwidth:
        if not link.functions:
            return Bandwidth()
        payload = self._payload(link)
        request = min(_numbers(link.functions, "Max_Read_Request_Size"), default=None)
        flit = value_of(link.ends[0].function.express_flag(express.LINK_STATUS_2["Flit Mode Status"]))
        now, best = link.negotiated, link.possible
        ceiling, floor = Ceiling(), None
        if now.speed_gts is not None and now.width is not None and payload is not None:
            # A function that states no request size (a port) is taken to ask for as much as one packet holds.
            carried = carries(now.speed_gts, now.width, payload, request or payload, flit_mode=flit)
            ceiling = Ceiling(int(carried.to_host), int(carried.from_host))
            floor = int(carried.read_floor)
        return Bandwidth(
            negotiated_bytes_s=_bytes_s(now),
            possible_bytes_s=_bytes_s(best),
            ceiling_bytes_s=ceiling,
            read_floor_bytes_s=floor,
            max_payload_size=payload,
            max_read_request_size=request,
            flit_mode=flit,
        )

    def _payload(self, link: Link) -> int | None:
        """Max_Payload_Size in force: the least along the path; None if any of it was not read."""
        functions = [*self.tree.path(link.functions[0]), *link.functions]
        ports = [function for function in functions if self.tree.kind(function) is not None]
        sizes = [function.express_number(express.DEVICE_CONTROL["Max_Payload_Size"]) for function in ports]
        values = [fact.value for fact in sizes if fact is not None]
        return min(values) if values and len(values) == len(sizes) else None

    def _oversubscription(self, link: Link) -> float | None:
        """How many times over a switch's links below could fill this uplink; None where nothing is below."""
        own = _rate(link.negotiated)
        below: Fraction = Fraction(0)
        for function in link.functions:
            for child in self.tree.children.get(function.address, ()):
                found = self._by_end.get(child.address)
                rate = None if found is None or found.port is None else _rate(found.negotiated)
                if found is not None and found.port is not None and found.port.address == child.address and rate:
                    below += rate
        return None if not own or not below else round(float(below / own), 2)


def _key(pair: Pair) -> Address:
    return pair.port.address if pair.port is not None else pair.below[0].address


def _rate(state: LinkState) -> Fraction | None:
    return None if state.speed_gts is None or state.width is None else line_rate(state.speed_gts, state.width)


def _bytes_s(state: LinkState) -> int | None:
    return None if state.speed_gts is None or state.width is None else line_rate_bytes_s(state.speed_gts, state.width)


def _numbers(functions: Iterable[FunctionFacts], name: str) -> list[int]:
    facts = (function.express_number(express.DEVICE_CONTROL[name]) for function in functions)
    return [fact.value for fact in facts if fact is not None]


def _suspects(link: Link, judgement: Judgement) -> tuple[int, ...]:
    now, best = link.negotiated.width, link.possible.width
    if judgement.word is not Verdict.DOWNTRAINED or now is None or best is None:
        return ()
    return tuple(suspect_lanes(now, best))


def _aspm(link: Link) -> str | None:
    """ASPM Control of the two ends, which both must allow a state for it to be entered."""
    states = [end.function.express_text(express.LINK_CONTROL["ASPM Control"]) for end in link.ends]
    values = [fact.value for fact in states if fact is not None]
    if not values or not link.functions:
        return None
    return values[0] if len(set(values)) == 1 else " / ".join(values)


def _errors(link: Link) -> ErrorTotals:
    """The kernel's totals for this link: one event is told by several functions and both ends, so the most by any."""
    functions = [*(end.function for end in link.ends[:1]), *link.functions]
    totals = {}
    for severity in ("correctable", "nonfatal", "fatal"):
        texts = (function.evidence.attributes.get(f"aer_dev_{severity}") for function in functions)
        counts = [total for text in texts if text is not None and (total := error_total(text)) is not None]
        totals[severity] = max(counts, default=None)
    return ErrorTotals(**totals)


def _counts(link: Link) -> Iterator[Count]:
    """The kernel's counts that are not zero, of both ends."""
    named = [(PORT, link.port.function)] if link.port is not None else []
    for end, function in (*named, *((COMPONENT, function) for function in link.functions)):
        for severity in SEVERITIES:
            text = function.evidence.attributes.get(f"aer_dev_{severity}")
            for error, count in nonzero_counts(text).items() if text else ():
                yield end, str(function.address), severity, error, count


def _ends(link: Link) -> Iterator[tuple[str, LinkEnd]]:
    if link.port is not None:
        yield PORT, link.port
    if link.component is not None:
        yield COMPONENT, link.component


def _lanes_in_error(link: Link) -> dict[str, tuple[int, ...]]:
    found = {}
    for name, end in _ends(link):
        raw = end.function.register(physical.SECONDARY_PCI_EXPRESS, physical.LANE_ERROR_STATUS)
        if raw:
            found[name] = lanes_of(raw)
    return found


def _status_errors(link: Link) -> dict[str, tuple[str, ...]]:
    """Errors whose status bit is set at an end: at least one since it was cleared, counted by the kernel or not."""
    found = {}
    for name, end in _ends(link):
        names: list[str] = []
        for register, bits in (
            (errors.CORRECTABLE_STATUS, errors.CORRECTABLE_BITS),
            (errors.UNCORRECTABLE_STATUS, errors.UNCORRECTABLE_BITS),
        ):
            raw = end.function.register(errors.ADVANCED_ERROR_REPORTING, register) or 0
            names += [error for bit, error in bits.items() if raw >> bit & 1]
        if names:
            found[name] = tuple(names)
    return found


def _equalized(link: Link) -> dict[str, tuple[str, ...]]:
    found = {}
    for name, end in _ends(link):
        rates = equalized_rates(end)
        if rates:
            found[name] = rates
    return found
