"""Observations about the machine that belong to no single link: ports that should be there, lists that are broken."""

from collections import Counter, defaultdict
from collections.abc import Iterator

from probe.address import Address
from probe.counted import counted
from probe.errors.coverage import counter_doubts
from probe.evidence import Evidence
from probe.kernel_spellings import COUNTER_FILES, ROOT_TOTAL_FILES, error_total
from probe.links.slots import record_address
from probe.links.topology import Topology, topology
from probe.registers.device import ROOT_PORT
from probe.registers.errors import Severity
from probe.registers.link import LinkStatus2
from probe.registers.physical import LaneErrorStatus
from probe.registers.smbios import decode_slot
from probe.verdict.observation import Observation

_ENOUGH_SIBLINGS = 3
_IN_USE = "in use"


def observations(evidence: Evidence, tree: Topology) -> tuple[Observation, ...]:
    """What a person should know beside the verdicts."""
    return (
        *_mute(tree),
        *_missing_ports(tree),
        *_slots_without_device(evidence, tree),
        *_broken_lists(tree),
        *_lane_errors(tree),
        *_flit_errors(tree),
        *_unattributed(tree),
        *counter_doubts(evidence, tree),
    )


def _mute(tree: Topology) -> Iterator[Observation]:
    for address, function in tree.functions.items():
        if function.mute and function.evidence.unread:
            failed = function.evidence.unread[0]
            detail = f": {failed.detail}" if failed.detail else ""
            yield Observation(str(address), f"it is listed, and nothing of it could be read ({failed.why}{detail})")


def counting_doubts(evidence: Evidence) -> tuple[str, ...]:
    """Why error counters of this machine may not be believed, in sentences."""
    return tuple(doubt.meaning for doubt in counter_doubts(evidence, topology(evidence)))


def _unattributed(tree: Topology) -> Iterator[Observation]:
    """What a Root Port counted and nobody below it claims. Its total holds its own errors and all below."""
    for address, function in tree.functions.items():
        for severity, file in ROOT_TOTAL_FILES.items():
            total = function.evidence.attributes.get(file, "")
            if not total.isdecimal() or int(total) == 0:
                continue
            texts = [f.evidence.attributes.get(COUNTER_FILES[severity]) for f in (function, *tree.beneath(function))]
            claimed = sum(error_total(text) or 0 for text in texts if text)
            if int(total) > claimed:
                rest = int(total) - claimed
                yield Observation(
                    str(address),
                    f"nobody below claims {rest} of {counted(int(total), f'{severity.words} error')} that came here",
                )


def _missing_ports(tree: Topology) -> Iterator[Observation]:
    """A Root Port that every sibling root bus of the same kind has, and one has not."""
    families: dict[tuple[int | None, int | None], dict[tuple[int, int], set[tuple[int, int]]]] = defaultdict(dict)
    for function in tree.functions.values():
        if tree.kind(function) == ROOT_PORT:
            address = function.address
            kind = (function.vendor, function.device)
            root = families[kind].setdefault((address.domain, address.bus), set())
            root.add((address.device, address.function))
    for roots in families.values():
        if len(roots) < _ENOUGH_SIBLINGS:
            continue
        others = len(roots) - 1
        times = Counter(place for places in roots.values() for place in places)
        lacking_once = {place for place, count in times.items() if count == others}
        for (domain, bus), places in roots.items():
            for device, number in sorted(lacking_once - places):
                missing = Address(domain, bus, device, number)
                meaning = f"no Root Port is here, while all {others} sibling root buses have one at this place"
                yield Observation(str(missing), f"{meaning}: switched off by firmware, or it failed at start")


def _slots_without_device(evidence: Evidence, tree: Topology) -> Iterator[Observation]:
    buses = {(address.domain, address.bus) for address in tree.functions}
    for raw in evidence.smbios_slots:
        slot = decode_slot(bytes.fromhex(raw))
        if slot is None or slot.bus is None or slot.usage != _IN_USE:
            continue
        address = record_address(slot)
        if address not in tree.functions and (address.domain, address.bus) not in buses:
            yield Observation(
                f"slot {slot.designation}",
                f"SMBIOS says it is in use, at {address}, but nothing is listed there (firmware tables can be wrong)",
            )


def _broken_lists(tree: Topology) -> Iterator[Observation]:
    for address, function in tree.functions.items():
        if function.evidence.config_end is not None or function.silent:
            continue
        for fault in function.space.capabilities.faults:
            if "runs backwards" not in fault:
                yield Observation(str(address), fault)


def _lane_errors(tree: Topology) -> Iterator[Observation]:
    """Lanes in error at either end, whatever the verdict. The bits are from any time since they were last cleared."""
    for address, function in tree.functions.items():
        fact = function.read(LaneErrorStatus.lanes)
        if fact is not None and fact.value:
            lanes = ", ".join(map(str, fact.value))
            yield Observation(
                str(address), f"Lane Error Status names lane {lanes}, at any time since it was last cleared"
            )


def _flit_errors(tree: Topology) -> Iterator[Observation]:
    for address, function in tree.functions.items():
        flit = function.read(LinkStatus2.flit_mode_status)
        text = function.evidence.attributes.get(COUNTER_FILES[Severity.CORRECTABLE])
        if flit is not None and flit.value and text and error_total(text):
            yield Observation(
                str(address),
                "corrected errors are counted on a link in Flit mode, where correction is a part of normal work",
            )
