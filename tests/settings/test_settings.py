"""What is set on a link, each case a machine described."""

from collections.abc import Callable
from typing import Any

import pytest

from fake_sysfs import Machine, Tree, card, machine, port, root_port, switch
from fake_sysfs.config import CLASSIC_AT
from probe.audit.document import LinkDocument
from probe.links.link import WhichEnd
from probe.registers.device import DeviceCapabilities2, DeviceControl, DeviceControl2
from probe.registers.function import AriCapability, L1SubstatesCapabilities, L1SubstatesControl1
from probe.registers.link import LinkCapabilities, LinkControl
from probe.settings.of_link import Settings
from probe.settings.wording import advice, rows
from tests.conftest import Judge

One = Callable[[Machine | Tree], LinkDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"


@pytest.fixture
def settings(judge_one: One) -> Callable[[Machine | Tree], Settings]:
    def of(described: Machine | Tree) -> Settings:
        found = judge_one(described).settings
        assert found is not None
        return found

    return of


Of = Callable[[Machine | Tree], Settings]


def pair(port_changes: dict[str, Any], card_changes: dict[str, Any]) -> Machine:
    return machine(root_port(PORT, "16 GT/s x8", **port_changes).holds(card("16 GT/s x8", **card_changes)))


def test_the_way_takes_what_its_least_function_takes(settings: Of) -> None:
    found = settings(pair({"payload": 128, "payload_supported": 256}, {"payload": 128, "payload_supported": 1024}))
    assert (found.payload.in_force, found.payload.supported, found.payload.held_by) == (128, 256, (PORT,))


def test_a_switch_on_the_way_counts(judge: Judge) -> None:
    below = port("16 GT/s x4", payload_supported=128, payload=128).holds(card("16 GT/s x4"))
    tree = machine(root_port(PORT, "16 GT/s x4").holds(switch("16 GT/s x4", below)))
    _, (link) = judge(tree).links
    assert link.settings is not None
    assert link.settings.payload.supported == link.settings.payload.in_force == 128
    assert link.settings.payload.gain_to_host_percent == 0
    assert link.settings.payload.held_by == (link.downstream_port,)


def test_what_the_way_supports_already_gains_nothing(settings: Of) -> None:
    found = settings(pair({"payload": 512}, {"payload": 512}))
    assert (found.payload.gain_to_host_percent, found.payload.gain_from_host_percent) == (0, 0)
    assert list(advice(found)) == []


@pytest.mark.published("Intel AN 456, AN 690, AN 855: efficiency with 20 bytes beside the payload, in per cent")
@pytest.mark.parametrize(("now", "could", "was", "would"), [
    (128, 256, 86.49, 92.75), (128, 512, 86.49, 96.24), (256, 512, 92.75, 96.24), (512, 4096, 96.24, 99.51),
])  # fmt: skip
def test_the_gain_is_that_of_the_published_efficiencies(
    now: int, could: int, was: float, would: float, settings: Of
) -> None:
    sizes = {"payload": now, "payload_supported": could}
    found = settings(pair(sizes, {**sizes, "read_request": 4096}))
    assert found.payload.gain_to_host_percent == pytest.approx((would / was - 1) * 100, abs=0.06)
    assert found.payload.gain_from_host_percent == found.payload.gain_to_host_percent
    assert f"{found.payload.gain_to_host_percent:g} % to the host" in " ".join(advice(found))


def test_reads_gain_only_with_requests_as_large(settings: Of) -> None:
    sizes = {"payload": 512, "payload_supported": 512}
    found = settings(pair(sizes, {**sizes, "read_request": 128})).payload
    assert found.gain_to_host_percent == 0
    assert found.needs_read_request == 512
    assert found.gain_from_host_percent == pytest.approx((96.24 / 86.49 - 1) * 100, abs=0.06)  # as above


def test_one_function_that_was_not_read_leaves_no_size(settings: Of) -> None:
    tree = pair({}, {}).build().unprivileged()
    found = settings(tree)
    assert found.payload.in_force is found.payload.supported is found.payload.gain_to_host_percent is None
    assert found.completion_timeout == {}
    assert found.aspm.both.enabled is None
    assert not [*rows(found), *advice(found)]


def test_a_component_that_sends_more_than_the_port_takes(settings: Of) -> None:
    found = settings(pair({"payload": 128}, {"payload": 512}))
    assert found.payload.overruns == (CARD,)
    assert "malformed" in next(iter(advice(found)))
    assert settings(pair({"payload": 512}, {"payload": 128})).payload.overruns == (PORT,)


def test_with_alternative_routing_id_function_0_speaks_for_all(settings: Of) -> None:
    """Base Specification 6.x, 7.5.3.4 (from memory)."""
    plain = card("16 GT/s x8", payload=256).also(payload=512)
    ari = card("16 GT/s x8", payload=256, registers={AriCapability.next_function_number: 1}).also(payload=512)
    assert settings(machine(root_port(PORT, "16 GT/s x8").holds(plain))).payload.overruns == ("0000:01:00.1",)
    assert settings(machine(root_port(PORT, "16 GT/s x8").holds(ari))).payload.overruns == ()


def test_completion_timeouts_of_both_ends(settings: Of) -> None:
    component = {
        DeviceCapabilities2.completion_timeout_ranges_supported: ("B", "C"),
        DeviceCapabilities2.completion_timeout_disable_supported: True,
        DeviceControl2.completion_timeout_value: "65 ms to 210 ms",
    }
    found = settings(pair({"registers": {DeviceControl2.completion_timeout_disable: True}}, {"registers": component}))
    timeouts = found.completion_timeout
    assert timeouts[WhichEnd.PORT].disabled is True
    assert timeouts[WhichEnd.COMPONENT].ranges == {"B": "10 ms to 250 ms", "C": "250 ms to 4 s"}
    assert timeouts[WhichEnd.COMPONENT].value == "65 ms to 210 ms"
    shown = dict(rows(found))
    assert shown["Completion Timeout, port above"].startswith("off")
    assert shown["Completion Timeout, component below"].startswith("65 ms to 210 ms; ranges B 10 ms to 250 ms")


def aspm(support: str, control: str) -> dict[Any, Any]:
    return {LinkCapabilities.aspm_support: support, LinkControl.aspm_control: control}


def test_a_state_counts_where_both_ends_have_it(settings: Of) -> None:
    found = settings(pair(
        {"registers": aspm("L0s and L1", "L1")}, {"registers": aspm("L0s and L1", "L0s and L1")}
    )).aspm  # fmt: skip
    assert (found.both.supported, found.both.enabled) == (("L0s", "L1"), ("L1",))
    assert found.ends[WhichEnd.COMPONENT].enabled == ("L0s", "L1")


def test_substates_count_only_where_l1_is_on(settings: Of) -> None:
    substates: dict[Any, Any] = {
        L1SubstatesCapabilities.aspm_l1_1_supported: True, L1SubstatesCapabilities.aspm_l1_2_supported: True,
        L1SubstatesControl1.aspm_l1_2_enable: True,
    }  # fmt: skip
    on = {**aspm("L1", "L1"), **substates}
    off = {**aspm("L1", "off"), **substates}
    assert settings(pair({"registers": on}, {"registers": on})).aspm.both.substates_enabled == ("L1.2",)
    assert settings(pair({"registers": off}, {"registers": off})).aspm.both.substates_enabled == ()
    assert settings(pair({"registers": on}, {"registers": aspm("L1", "L1")})).aspm.both.substates_enabled == ()


def test_nothing_is_said_of_an_empty_port(judge_one: One) -> None:
    assert judge_one(machine(root_port(PORT, "16 GT/s x8", slot=1))).settings is None


def test_reserved_encodings_are_not_read(settings: Of) -> None:
    """Max_Payload_Size 110b and 111b are reserved (Base Specification 6.x, 7.5.3.4)."""
    at = CLASSIC_AT + 0x20 + DeviceControl.offset  # behind Power Management
    found = settings(pair({}, {}).build().with_bytes(CARD, at, (0x20E0).to_bytes(2, "little")))
    assert found.payload.in_force is found.payload.gain_to_host_percent is None
    assert found.payload.supported == 512
