"""What a port says of what is below it, and what holds a link down or lets it rest."""

from collections.abc import Callable
from typing import Any

import pytest

from fake_sysfs import Machine, SlotRecord, Tree, card, machine, root_port
from probe.audit.audit import audit
from probe.audit.document import LinkDocument
from probe.audit.verdict_headline import headline
from probe.host.machine import read_machine
from probe.registers.containment import DpcErrorSourceId, DpcStatus
from probe.registers.function import DeviceControl3, DeviceStatus3
from probe.registers.link import LinkCapabilities, LinkControl, LinkStatus, LinkStatus2
from probe.registers.physical import Status16
from probe.registers.slot import SlotCapabilities, SlotStatus
from probe.verdict.verdicts import Verdict

One = Callable[[Machine | Tree], LinkDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"
PRESENT = {SlotStatus.presence_detect_state: "card present"}


def empty(slot: int | None = 1, **registers: Any) -> Machine:
    return machine(root_port(PORT, "16 GT/s x16", slot=slot, **registers))


def held(trained: str, *, on_port: dict[Any, Any] | None = None, best: str = "16 GT/s x16", **changes: Any) -> Machine:
    port = root_port(PORT, best, slot=1, registers=on_port or {})
    return machine(port.holds(card("16 GT/s x16", trained=trained, **changes)))


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("ERR_FATAL received", "ERR_FATAL received from 0000:01:00.2"),
        ("ERR_NONFATAL received", "ERR_NONFATAL received from 0000:01:00.2"),
        ("unmasked uncorrectable error", "unmasked uncorrectable error"),
        ("see extension", "software trigger"),
    ],
)
@pytest.mark.parametrize("occupied", [True, False])
def test_containment_is_urgent_and_names_its_reason(reason: str, words: str, *, occupied: bool, judge_one: One) -> None:
    """Base Specification 6.x, 7.9.14.4 (from memory); values as kernel `pci_regs.h` 6.18, PCI_EXP_DPC_STATUS_TRIGGER_*."""
    registers: dict[Any, Any] = {
        DpcStatus.dpc_trigger_status: True, DpcStatus.dpc_trigger_reason: reason,
        DpcStatus.dpc_trigger_reason_extension: "software trigger",
        DpcErrorSourceId.bus_number: 1, DpcErrorSourceId.function_number: 2,
    }  # fmt: skip
    link = judge_one(held("16 GT/s x16", on_port=registers) if occupied else empty(registers=registers))
    assert (link.verdict, link.urgent) == (Verdict.UNJUDGED, True)
    assert link.reasons[1].meaning == f"why it triggered: {words}"
    assert "before anything is reseated" in link.reasons[0].meaning


def test_a_power_fault_is_a_finding(judge_one: One) -> None:
    fault: dict[Any, Any] = {SlotStatus.power_fault_detected: True, SlotCapabilities.power_controller_present: True}
    for link in (judge_one(empty(registers=fault)), judge_one(held("16 GT/s x16", on_port=fault))):
        assert link.alarming
        assert not link.urgent
        assert any("power fault" in reason.meaning for reason in link.reasons)


@pytest.mark.parametrize("trained", ["16 GT/s x16", "16 GT/s x8"])
def test_a_power_fault_stands_in_the_headline_and_has_its_steps(trained: str, judge_one: One) -> None:
    fault: dict[Any, Any] = {SlotStatus.power_fault_detected: True, SlotCapabilities.power_controller_present: True}
    link = judge_one(held(trained, on_port=fault))
    assert headline(link).startswith("the slot's power controller detected a power fault; ")
    assert link.next_steps
    present: dict[Any, Any] = {**fault, **PRESENT}
    assert headline(judge_one(empty(registers=present))) == "the slot's power controller detected a power fault"


def test_a_link_that_is_switched_off_tells_nothing_of_what_is_there(judge_one: One) -> None:
    """Without a slot only the link could tell: Link Disable holds it down. A slot still detects what is in it."""
    off: dict[Any, Any] = {LinkControl.link_disable: True}
    unknown = judge_one(empty(None, registers=off))
    assert (unknown.verdict, unknown.alarming) == (Verdict.UNJUDGED, False)
    assert headline(unknown) == "the link is switched off by software"
    told = judge_one(empty(1, registers=off))
    assert told.verdict is Verdict.EMPTY
    assert told.reasons[-1].meaning == "the link is switched off by software"
    assert headline(judge_one(empty(1, registers={**off, **PRESENT}))) == "the link is switched off by software"


def test_a_link_switched_off_is_told_where_the_component_reads_all_ones(judge_one: One) -> None:
    link = judge_one(held("16 GT/s x16", on_port={LinkControl.link_disable: True}).build().silent(CARD))
    assert [reason.meaning for reason in link.reasons][-1] == "the link is switched off by software"


@pytest.mark.parametrize(
    ("registers", "words", "alarming"),
    [
        (PRESENT, "did not come up", True),
        (
            {**dict[Any, Any](PRESENT), LinkCapabilities.data_link_layer_link_active_reporting_capable: False},
            "no function",
            False,
        ),
        ({LinkStatus.data_link_layer_link_active: True}, "the link is up, yet nothing is listed", False),
        ({LinkStatus.link_training: True}, "is training", False),
    ],
)
def test_nothing_listed_is_told_for_what_it_is(
    registers: dict[Any, Any], words: str, *, alarming: bool, judge_one: One
) -> None:
    link = judge_one(empty(registers=registers))
    assert link.verdict is Verdict.UNJUDGED
    assert link.alarming is alarming
    assert any(words in reason.meaning for reason in link.reasons)
    assert ("did not come up" in str(link.reasons)) is (words == "did not come up")


@pytest.mark.parametrize("slot", [1, None])
def test_empty_only_where_a_register_says_so(slot: int | None, judge_one: One) -> None:
    assert judge_one(empty(slot)).verdict is Verdict.EMPTY
    unread = judge_one(empty(slot).build().unprivileged())
    assert unread.verdict is Verdict.UNJUDGED
    assert "needs root" in unread.reasons[0].meaning
    asleep = judge_one(empty(slot, power_state="D3hot"))
    assert asleep.verdict is Verdict.UNJUDGED
    assert "sleeps" in asleep.reasons[0].meaning


@pytest.mark.parametrize("claim", ["2.5 GT/s x1", "16 GT/s x16", "16 GT/s x32"])
def test_a_virtual_function_below_an_emulated_port(claim: str, judge_one: One) -> None:
    tree = held(claim, best="16 GT/s x32").build().with_bytes(CARD, 0x60 + LinkStatus.offset, b"\0\0")
    link = judge_one(tree)
    assert (link.verdict, link.shortfall, link.alarming) == (Verdict.UNJUDGED, (), False)


@pytest.mark.parametrize(("runs", "verdict"), [(b"\x04\x11", Verdict.FULL), (b"\x03\x11", Verdict.UNJUDGED)])
def test_an_emulated_port_is_not_believed(runs: bytes, verdict: Verdict, judge_one: One) -> None:
    """16 GT/s or 8 GT/s, x16, below a port that claims 2.5 GT/s x1."""
    tree = held("2.5 GT/s x1", best="16 GT/s x32").build().with_bytes(CARD, 0x60 + LinkStatus.offset, runs)
    link = judge_one(tree)
    assert link.verdict is verdict
    assert "emulated port" in link.reasons[0].meaning


@pytest.mark.parametrize(
    ("component", "verdict"),
    [
        ({DeviceStatus3.initial_link_width: 16, DeviceControl3.l0p_enable: True}, Verdict.RESTING),
        ({DeviceStatus3.initial_link_width: 8, DeviceControl3.l0p_enable: True}, Verdict.DOWNTRAINED),
        ({DeviceStatus3.initial_link_width: 16}, Verdict.DOWNTRAINED),
        ({}, Verdict.DOWNTRAINED),
    ],
)
def test_l0p_is_rest(component: dict[Any, Any], verdict: Verdict, judge_one: One) -> None:
    """From memory of Base Specification 6.x, 7.7.9; the initial width as EDK II `PciExpress70.h` has it."""
    flit = {LinkStatus2.flit_mode_status: True}
    below = card("64 GT/s x16", trained="64 GT/s x4", registers={**flit, **component})
    link = judge_one(machine(root_port(PORT, "64 GT/s x16", registers=flit).holds(below)))
    assert (link.verdict, link.shortfall) == (verdict, ("width",))


FLIT: dict[Any, Any] = {LinkStatus2.flit_mode_status: True}
LANES_REST: dict[Any, Any] = {**FLIT, DeviceStatus3.initial_link_width: 16, DeviceControl3.l0p_enable: True}


def test_l0p_excuses_no_speed(judge_one: One) -> None:
    """Lanes at rest say nothing of a slow link; nor are those lanes suspects."""
    below = card("64 GT/s x16", trained="32 GT/s x4", registers=LANES_REST)
    link = judge_one(machine(root_port(PORT, "64 GT/s x16", registers=FLIT).holds(below)))
    assert (link.verdict, link.shortfall) == (Verdict.DOWNTRAINED, ("speed", "width"))
    assert link.suspect_lanes == ()
    assert any("lanes at rest" in reason.meaning for reason in link.reasons)


def test_l0p_behind_a_hidden_port_is_rest(judge_one: One) -> None:
    below = card("64 GT/s x16", trained="64 GT/s x4", registers=LANES_REST)
    link = judge_one(Machine(on_root_bus=(("0000:00:05.0", below),)))
    assert (link.verdict, link.shortfall, link.alarming) == (Verdict.RESTING, ("width",), False)


def test_a_component_asleep_behind_a_hidden_port_rests(judge_one: One) -> None:
    sleeping = card("16 GT/s x16", trained="2.5 GT/s x16", power_state="D3hot")
    link = judge_one(Machine(on_root_bus=(("0000:00:05.0", sleeping),)))
    assert (link.verdict, link.alarming) == (Verdict.RESTING, False)


@pytest.mark.parametrize(("complete", "doubt"), [(None, False), (True, True)])
def test_the_doubt_stands_in_the_headline(complete: bool | None, doubt: bool, judge_one: One) -> None:
    bits = {} if complete is None else {Status16.equalization_complete: True}
    link = judge_one(held("2.5 GT/s x16", on_port=bits, registers=bits))
    assert link.verdict is Verdict.DOWNTRAINED
    assert link.doubtful is doubt
    told = "it did train at 16 GT/s" if complete else "it never trained at 16 GT/s"
    assert any(told in reason.meaning for reason in link.reasons)


@pytest.mark.parametrize("trained", ["16 GT/s x8", "16 GT/s x4"])
def test_lanes_that_firmware_says_are_not_wired(trained: str, judge_one: One) -> None:
    record = SlotRecord(designation="RISER 1", type_code=0xB6, width_code=0x0B, address=PORT, id=1)
    described = held(trained)
    link = judge_one(Machine(ports=described.ports, smbios_slots=(record,)))
    assert link.verdict is Verdict.DOWNTRAINED
    assert any(reason.value == "8 lanes wired" for reason in link.reasons)
    assert bool(link.suspect_lanes) is (trained == "16 GT/s x4")


STATES = ("D0", "D3hot", "D3cold")


@pytest.mark.parametrize("port_state", STATES)
@pytest.mark.parametrize("card_state", STATES)
def test_sleep_never_removes_a_link(port_state: str, card_state: str, judge_one: One) -> None:
    """The nine pairs of power states: the link is there with both ends, and nothing alarms."""
    port = root_port(PORT, "16 GT/s x16", slot=1, power_state=port_state)
    tree = machine(port.holds(card("16 GT/s x16", power_state=card_state))).build()
    for link in (judge_one(tree), audited(tree, live=True)):
        assert (link.downstream_port, link.upstream_port) == (PORT, CARD)
        assert not link.alarming
        assert link.verdict in {Verdict.FULL, Verdict.RESTING}
        assert (link.verdict is Verdict.FULL) or card_state != "D0" or port_state != "D0"


def audited(tree: Tree, *, live: bool) -> LinkDocument:
    source = tree.source()
    source.live = live
    (link,) = audit(read_machine(source)).links
    return link
