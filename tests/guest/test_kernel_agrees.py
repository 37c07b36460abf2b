"""The kernel is the oracle: what we decode from bytes must equal what it says in its attributes."""

import pytest

from probe.audit.audit import audit
from probe.audit.snapshot import Snapshot
from probe.kernel_spellings import speed_gts, width_lanes
from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.links.state import LinkState
from probe.registers.device import ExpressCapabilities
from probe.registers.errors import ADVANCED_ERROR_REPORTING
from probe.registers.header import DeviceId, SecondaryBusNumber, SubordinateBusNumber, VendorId
from probe.registers.link import LinkCapabilities, LinkCapabilities2, LinkStatus
from probe.verdict.verdicts import Verdict

pytestmark = pytest.mark.guest

_SPEEDS = {"current_link_speed": LinkStatus.current_link_speed,
           "max_link_speed": LinkCapabilities.max_link_speed}  # fmt: skip
_WIDTHS = {"current_link_width": LinkStatus.negotiated_link_width,
           "max_link_width": LinkCapabilities.maximum_link_width}  # fmt: skip


def test_speeds_and_widths_of_every_function(as_root: Snapshot) -> None:
    compared = 0
    for evidence in as_root.evidence.functions:
        function = FunctionFacts(evidence)
        for name, speed in _SPEEDS.items():
            if name in evidence.attributes:
                gts = value_of(function.read(speed))
                assert gts == speed_gts(evidence.attributes[name]), (evidence.address, name)
                compared += 1
        for name, width in _WIDTHS.items():
            if name in evidence.attributes:
                lanes = value_of(function.read(width))
                assert lanes == width_lanes(evidence.attributes[name]), (evidence.address, name)
                compared += 1
    assert compared >= 4 * 12


def test_numbers_of_every_function(as_root: Snapshot) -> None:
    bridges = 0
    for evidence in as_root.evidence.functions:
        space = evidence.space()
        assert space.value(VendorId.vendor_id) == int(evidence.attributes["vendor"], 16)
        assert space.value(DeviceId.device_id) == int(evidence.attributes["device"], 16)
        word = space.word(8)
        assert word is not None
        assert word >> 8 == int(evidence.attributes["class"], 16)
        if "secondary_bus_number" in evidence.attributes:
            assert space.value(SecondaryBusNumber.secondary_bus_number) == int(
                evidence.attributes["secondary_bus_number"]
            )
            assert space.value(SubordinateBusNumber.subordinate_bus_number) == int(
                evidence.attributes["subordinate_bus_number"]
            )
            bridges += 1
    assert bridges >= 8


def test_functions_with_error_counters_are_those_with_the_capability(as_root: Snapshot) -> None:

    having = {f.address for f in as_root.evidence.functions if f.space().find(ADVANCED_ERROR_REPORTING)}
    counting = {f.address for f in as_root.evidence.functions if "aer_dev_correctable" in f.attributes}
    assert having == counting
    assert having


def test_version_1_ends_where_it_ends(as_root: Snapshot) -> None:
    """QEMU's e1000e has a version 1 capability with other bytes where version 2 keeps Link Capabilities 2."""
    checked = 0
    for evidence in as_root.evidence.functions:
        function = FunctionFacts(evidence)
        if value_of(function.read(ExpressCapabilities.capability_version)) == 1:
            assert function.space.register(LinkCapabilities2) is None
            checked += 1
    assert checked >= 2


def test_links_found(as_root: Snapshot) -> None:
    document = audit(as_root.evidence)
    found = {(link.downstream_port, link.upstream_port): link.verdict for link in document.links}
    assert found == {
        ("0000:00:10.0", "0000:01:00.0"): Verdict.FULL,
        ("0000:00:11.0", "0000:02:00.0"): Verdict.FULL,
        ("0000:00:12.0", None): Verdict.EMPTY,
        ("0000:00:13.0", "0000:04:00.0"): Verdict.FULL,
        ("0000:05:00.0", "0000:06:00.0"): Verdict.FULL,
        ("0000:05:01.0", None): Verdict.EMPTY,
        ("0000:40:00.0", "0000:41:00.0"): Verdict.FULL,
        (None, "0000:00:15.0"): Verdict.FULL,
    }


def test_the_same_links_without_privilege(as_root: Snapshot, as_user: Snapshot) -> None:
    def shape(snapshot: Snapshot) -> set[tuple[str | None, str | None, Verdict, LinkState]]:
        links = audit(snapshot.evidence).links
        return {(x.downstream_port, x.upstream_port, x.verdict, x.negotiated) for x in links}

    # Only a register says that a slot is empty (6.0, 7.5.3.11), and an ordinary user does not get to read it.
    unread = {Verdict.EMPTY: Verdict.UNJUDGED}
    expected = {(down, up, unread.get(verdict, verdict), state) for down, up, verdict, state in shape(as_root)}
    assert expected == shape(as_user)
    ends = {function.config_end for function in as_user.evidence.functions}
    assert ends == {64, None}, [(f.address, f.config_end) for f in as_user.evidence.functions]


def test_slots_by_the_kernel_and_by_smbios(as_root: Snapshot) -> None:
    links = {link.downstream_port: link for link in audit(as_root.evidence).links}
    first = links["0000:00:10.0"].slot
    assert first is not None
    assert first.title == "Made-up riser 1"
    assert first.smbios_lanes == 16
    kernel = {
        name.name for link in links.values() if link.slot for name in link.slot.names if name.source == "slot directory"
    }
    conventional = "0000:08:"  # the bus below the bridge to PCI, which has slots and no link
    assert {slot.name for slot in as_root.evidence.slots if not slot.address.startswith(conventional)} == kernel
