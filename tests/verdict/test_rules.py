"""Each question of the judge reached by a machine, in the order of the questions."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from fake_sysfs import Machine, Tree, card, machine, port, root_port, switch
from probe.audit.document import AuditDocument, LinkDocument
from probe.evidence import Why
from probe.links.kind_of_link import KindOfLink
from probe.links.link import Link
from probe.registers.containment import DpcStatus
from probe.registers.link import (
    LinkCapabilities,
    LinkCapabilities2,
    LinkControl,
    LinkControl2,
    LinkStatus,
    LinkStatus2,
)
from probe.registers.physical import Status16
from probe.registers.slot import SlotStatus
from probe.verdict import rules
from probe.verdict.next_steps import CAUTIONS, touches_hardware
from probe.verdict.rules import RULES, Judgement, Rule
from probe.verdict.verdicts import Verdict

One = Callable[[Machine | Tree], LinkDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"
ACCELERATOR = 0x120000


def one(card_state: str, trained: str | None = None, *, best: str = "16 GT/s x16", **changes: object) -> Machine:
    on_port: dict[str, object] = {name: changes.pop(name) for name in ("target_gts", "slot") if name in changes}
    if "port_registers" in changes:
        on_port["registers"] = changes.pop("port_registers")
    return machine(root_port(PORT, best, **on_port).holds(card(card_state, trained=trained, **changes)))


def two(*busy: str) -> Machine:
    """A card of two accelerators, so busy in percent, on a link that is slow."""
    first, second = ({"gpu_busy_percent": percent} for percent in busy)
    below = card("16 GT/s x16", trained="2.5 GT/s x16", class_code=ACCELERATOR, attributes=first)
    return machine(root_port(PORT, "16 GT/s x16").holds(below.also(attributes=second)))


STATUS = {LinkStatus.link_autonomous_bandwidth_status: True}
BOTH_BITS = {**STATUS, LinkStatus.link_bandwidth_management_status: True}
TRAINED_16 = {Status16.equalization_complete: True, LinkStatus2.equalization_8_complete: True}
GPU_AT_WORK = {"gpu_busy_percent": "98", "power/control": "auto", "pp_dpm_pcie": "0: 2.5GT/s, x16\n1: 16.0GT/s, x16 *"}
TABLE: dict[str, tuple[Machine | Tree, Verdict, tuple[str, ...]]] = {
    "full": (one("16 GT/s x16"), Verdict.FULL, ()),
    "a slot better than its card is full": (one("8 GT/s x4"), Verdict.FULL, ()),
    "a narrower slot": (one("16 GT/s x16", best="16 GT/s x8"), Verdict.LIMITED, ()),
    "a slower slot": (one("16 GT/s x8", best="8 GT/s x8"), Verdict.LIMITED, ()),
    "speed": (one("16 GT/s x16", "8 GT/s x16"), Verdict.DOWNTRAINED, ("speed",)),
    "width": (one("16 GT/s x16", "16 GT/s x8"), Verdict.DOWNTRAINED, ("width",)),
    "both": (one("16 GT/s x16", "8 GT/s x4"), Verdict.DOWNTRAINED, ("speed", "width")),
    "128 GT/s": (one("128 GT/s x16", "64 GT/s x16", best="128 GT/s x16"), Verdict.DOWNTRAINED, ("speed",)),
    "x12": (one("8 GT/s x12", best="8 GT/s x32"), Verdict.FULL, ()),
    "below x12": (one("8 GT/s x12", "8 GT/s x8", best="8 GT/s x32"), Verdict.DOWNTRAINED, ("width",)),
    "narrowed by itself": (one("16 GT/s x16", "16 GT/s x8", port_registers=STATUS), Verdict.RESTING, ("width",)),
    "slow and narrow by itself, and it never trained faster": (
        one("16 GT/s x16", "8 GT/s x8", port_registers=STATUS), Verdict.DOWNTRAINED, ("speed", "width")),
    "slow and narrow by itself, and it once trained faster": (
        one("16 GT/s x16", "8 GT/s x8", port_registers={**STATUS, **TRAINED_16}, registers=TRAINED_16),
        Verdict.RESTING, ("speed", "width")),
    "narrowed by itself, and held slow": (
        one("16 GT/s x16", "5 GT/s x8", port_registers=STATUS, target_gts=5.0), Verdict.CAPPED, ("speed", "width")),
    "narrowed to cure errors": (
        one("16 GT/s x16", "16 GT/s x8", port_registers=BOTH_BITS), Verdict.DOWNTRAINED, ("width",)),
    "bit 15 of a component is reserved": (
        one("16 GT/s x16", "16 GT/s x8", registers=STATUS), Verdict.DOWNTRAINED, ("width",)),
    "capped": (one("16 GT/s x16", "5 GT/s x16", target_gts=5.0), Verdict.CAPPED, ("speed",)),
    "slower than its cap": (one("16 GT/s x16", "2.5 GT/s x16", target_gts=8.0), Verdict.DOWNTRAINED, ("speed",)),
    "a short width is asked before a cap": (
        one("16 GT/s x16", "5 GT/s x4", target_gts=5.0), Verdict.DOWNTRAINED, ("speed", "width")),
    "a short width is asked before sleep": (
        one("16 GT/s x16", "2.5 GT/s x4", power_state="D3hot"), Verdict.DOWNTRAINED, ("speed", "width")),
    "asleep": (one("16 GT/s x16", "2.5 GT/s x16", power_state="D3hot"), Verdict.RESTING, ("speed",)),
    "slowed by itself": (
        one("16 GT/s x16", "2.5 GT/s x16", port_registers={**STATUS, **TRAINED_16}, registers=TRAINED_16),
        Verdict.RESTING, ("speed",)),
    "slowed by itself though it never trained there": (
        one("16 GT/s x16", "2.5 GT/s x16", port_registers=STATUS), Verdict.DOWNTRAINED, ("speed",)),
    "slowed to cure errors": (
        one("16 GT/s x16", "2.5 GT/s x16", port_registers={**BOTH_BITS, **TRAINED_16}, registers=TRAINED_16),
        Verdict.DOWNTRAINED, ("speed",)),
    "slowed by itself below the rates that equalize": (
        one("5 GT/s x16", "2.5 GT/s x16", port_registers=STATUS, best="5 GT/s x16"), Verdict.RESTING, ("speed",)),
    "no speed above 8 in common": (
        one("16 GT/s x16", "8 GT/s x16", supported=(2.5, 5.0, 8.0, 16.0), port_registers={
            LinkCapabilities2.supported_link_speeds_vector: (2.5, 5.0, 8.0, 32.0)}, best="32 GT/s x16"),
        Verdict.FULL, ()),
    "an accelerator that idles": (
        one("16 GT/s x16", "2.5 GT/s x16", class_code=ACCELERATOR, attributes={"gpu_busy_percent": "0"}),
        Verdict.RESTING, ("speed",)),
    "an accelerator that may save power": (
        one("16 GT/s x16", "2.5 GT/s x16", class_code=ACCELERATOR, attributes={"power/control": "auto"}),
        Verdict.DOWNTRAINED, ("speed",)),
    "an accelerator at work on its top level": (
        one("16 GT/s x16", "8 GT/s x16", class_code=ACCELERATOR, attributes=GPU_AT_WORK),
        Verdict.DOWNTRAINED, ("speed",)),
    "two accelerators of which one works": (
        two("0", "98"), Verdict.DOWNTRAINED, ("speed",)),
    "two accelerators that idle": (two("0", "1"), Verdict.RESTING, ("speed",)),
    "an accelerator at work": (
        one("16 GT/s x16", "8 GT/s x16", class_code=ACCELERATOR, attributes={"gpu_busy_percent": "98"}),
        Verdict.DOWNTRAINED, ("speed",)),
    "an accelerator without evidence": (
        one("16 GT/s x16", "2.5 GT/s x16", class_code=ACCELERATOR), Verdict.DOWNTRAINED, ("speed",)),
    "power saving of a drive is no excuse": (
        one("16 GT/s x16", "2.5 GT/s x16", attributes={"power/control": "auto"}), Verdict.DOWNTRAINED, ("speed",)),
    "empty": (machine(root_port(PORT, "16 GT/s x16", slot=1)), Verdict.EMPTY, ()),
    "empty without a slot": (machine(root_port(PORT, "16 GT/s x16")), Verdict.EMPTY, ()),
}  # fmt: skip


@pytest.mark.parametrize("name", TABLE)
def test_verdict(name: str, judge_one: One) -> None:
    described, word, shortfall = TABLE[name]
    link = judge_one(described)
    assert (link.verdict, link.shortfall) == (word, shortfall)
    assert link.reasons
    assert all(reason.source and reason.meaning for reason in link.reasons)


def virtual(port_state: str = "2.5 GT/s x1") -> Tree:
    """A virtual function in a virtual machine: its Link Status reads 0, the emulated port claims a state of its own."""
    tree = one("16 GT/s x16", port_state, best="16 GT/s x32").build()
    tree = tree.with_bytes(CARD, 0x60 + LinkStatus.offset, b"\0\0")
    return tree.with_attribute(CARD, "current_link_speed", "Unknown").with_attribute(CARD, "current_link_width", "0")


def test_every_rule_is_reached(judge_one: One, monkeypatch: pytest.MonkeyPatch) -> None:
    """A rule that gives no verdict of the machines above and these is named here; a new rule needs a machine."""
    deciding: set[str] = set()

    def watched(rule: Rule) -> Rule:
        def asked(link: Link) -> Judgement | None:
            found = rule(link)
            if found is not None:
                deciding.add(rule.__name__)
            return found

        return asked

    monkeypatch.setattr(rules, "RULES", tuple(map(watched, RULES)))
    tunnel = one("16 GT/s x16", attributes={"removable": "removable"})
    contained = one("16 GT/s x16", port_registers={DpcStatus.dpc_trigger_status: True})
    hidden = Machine(on_root_bus=(("0000:00:05.0", card("16 GT/s x16")),))
    unread = one("16 GT/s x16").build().without_link_attributes().unprivileged()
    for address in (PORT, CARD):
        unread = unread.with_attribute(address, "max_link_speed", "Unknown")
    silent = one("16 GT/s x16").build().silent(CARD)
    mute = one("16 GT/s x16").build().with_attribute(CARD, "current_link_speed", "Unknown")
    others = (machine(root_port(PORT, "16 GT/s x16")), silent, tunnel, contained, hidden, unread, mute, virtual())
    for described in (*(described for described, _, _ in TABLE.values()), *others):
        judge_one(described)
    assert deciding == {rule.__name__ for rule in RULES}


@pytest.mark.parametrize("word", [Verdict.DOWNTRAINED, Verdict.CAPPED])
def test_what_is_below_capability_alarms(word: Verdict, judge_one: One) -> None:
    found = [judge_one(described) for described, verdict, _ in TABLE.values() if verdict is word]
    assert found
    assert all(link.alarming and not link.urgent for link in found)


def test_the_rest_does_not_alarm(judge_one: One) -> None:
    for described, verdict, _ in TABLE.values():
        if verdict not in {Verdict.DOWNTRAINED, Verdict.CAPPED}:
            assert not judge_one(described).alarming


def test_a_silent_component_is_urgent(judge_one: One) -> None:
    link = judge_one(one("16 GT/s x16").build().silent(CARD))
    assert link.verdict is Verdict.UNJUDGED
    assert link.urgent
    assert "nothing answers" in link.reasons[0].meaning


def test_a_card_that_does_not_come_up(judge_one: One) -> None:
    status = {SlotStatus.presence_detect_state: "card present"}
    link = judge_one(machine(root_port(PORT, "16 GT/s x16", slot=1, registers=status)))
    assert (link.verdict, link.shortfall) == (Verdict.UNJUDGED, ("speed", "width"))
    assert link.alarming


def test_a_slot_switched_off_does_not_alarm(judge_one: One) -> None:
    registers = {
        SlotStatus.presence_detect_state: "card present",
        LinkControl.link_disable: True,
    }
    link = judge_one(machine(root_port(PORT, "16 GT/s x16", slot=1, registers=registers)))
    assert link.verdict is Verdict.UNJUDGED
    assert not link.alarming


@pytest.mark.parametrize(
    ("trained", "word", "shortfall"),
    [
        ("16 GT/s x16", Verdict.FULL, ()),
        ("8 GT/s x16", Verdict.UNJUDGED, ("speed",)),
        ("16 GT/s x4", Verdict.UNJUDGED, ("width",)),
    ],
)
def test_a_hidden_port(trained: str, word: Verdict, shortfall: tuple[str, ...], judge_one: One) -> None:
    link = judge_one(Machine(on_root_bus=(("0000:00:05.0", card("16 GT/s x16", trained=trained)),)))
    assert (link.downstream_port, link.upstream_port) == (None, "0000:00:05.0")
    assert (link.verdict, link.shortfall) == (word, shortfall)
    assert link.alarming == bool(shortfall)
    assert "no port is visible" in link.reasons[0].meaning


def test_a_port_that_states_nothing_of_its_own(judge_one: One) -> None:
    tree = one("8 GT/s x8").build()
    tree = tree.with_bytes(PORT, 0x60 + LinkCapabilities.offset, b"\0\0")
    tree = tree.with_attribute(PORT, "max_link_speed", "Unknown").with_attribute(PORT, "max_link_width", "0")
    link = judge_one(tree)
    assert link.verdict is Verdict.FULL
    assert "states no capability" in link.reasons[0].meaning


def test_nothing_readable_is_unjudged_and_says_why(judge_one: One) -> None:
    tree = one("16 GT/s x16").build().without_link_attributes()
    for address in (PORT, CARD):
        tree = tree.failing(address, "config", Why.GONE)
        tree = tree.with_attribute(address, "max_link_speed", "Unknown")
    link = judge_one(tree)
    assert link.verdict is Verdict.UNJUDGED
    assert not link.alarming
    assert any("device gone" in reason.value for reason in link.reasons)


def test_a_contradiction_is_told(judge_one: One) -> None:
    link = judge_one(one("8 GT/s x8", "16 GT/s x8", best="8 GT/s x8"))
    assert any("contradicts itself" in reason.meaning for reason in link.reasons)


def test_ends_that_disagree_are_told_and_the_lesser_is_taken(judge_one: One) -> None:
    described = one("16 GT/s x16")
    tree = described.build().with_bytes(CARD, 0x60 + LinkStatus.offset, b"\x83\x10")
    link = judge_one(tree)
    assert (link.negotiated.speed_gts, link.negotiated.width) == (8.0, 8)
    assert any("two ends report different states" in reason.meaning for reason in link.reasons)


def test_who_holds_the_speed(judge_one: One) -> None:
    capped = one("16 GT/s x16", "2.5 GT/s x16", target_gts=2.5)
    unknown = judge_one(capped)
    assert any("nothing names the holder" in reason.meaning for reason in unknown.reasons)
    hot = judge_one(replace(capped, cooling=((PORT, 2, 4),)))
    assert any("cool" in reason.meaning for reason in hot.reasons)
    line = f"[ 1.0] pcieport {PORT}: broken device, retraining non-functional downstream link at 2.5GT/s"
    by_kernel = judge_one(replace(capped, log=(line,)))
    assert any(reason.source == "kernel log" and reason.value.startswith("pcieport") for reason in by_kernel.reasons)
    lifted = f"[ 2.0] pcieport {PORT}: removing 2.5GT/s downstream link speed restriction"
    freed = judge_one(replace(capped, log=(line, lifted)))
    assert not any(reason.source == "kernel log" for reason in freed.reasons)


def test_a_component_that_obeys_its_own_target(judge_one: One) -> None:
    held = {LinkControl2.target_link_speed: 5.0, LinkControl2.hardware_autonomous_speed_disable: True}
    link = judge_one(one("16 GT/s x16", "5 GT/s x16", registers=held))
    assert link.verdict is Verdict.CAPPED
    assert "0000:01:00.0" in link.reasons[0].source


@pytest.mark.parametrize(("trained", "lanes"), [("16 GT/s x8", range(8, 16)), ("16 GT/s x1", range(1, 2))])
def test_suspect_lanes(trained: str, lanes: range, judge_one: One) -> None:
    assert judge_one(one("16 GT/s x16", trained)).suspect_lanes == tuple(lanes)


def test_equalization_is_told_where_a_speed_is_short(judge_one: One) -> None:
    meanings = [reason.meaning for reason in judge_one(one("16 GT/s x16", "8 GT/s x16")).reasons]
    assert "equalization at 8.0 GT/s completed in all phases" in meanings
    assert "equalization at 16.0 GT/s was not completed" in meanings


GPU = 0x030000


def inner(vendor: int, class_code: int) -> Machine:
    below = card("16 GT/s x16", trained="2.5 GT/s x1", vendor=vendor, class_code=class_code)
    return machine(root_port(PORT, "16 GT/s x16").holds(switch("16 GT/s x16", port("16 GT/s x16").holds(below))))


def test_the_inner_link_of_a_card_never_alarms(judge: Callable[[Machine], AuditDocument]) -> None:
    slot, inside = judge(inner(0x1234, GPU)).links
    assert (slot.verdict, slot.inside_card) == (Verdict.FULL, False)
    assert (inside.verdict, inside.inside_card, inside.alarming) == (Verdict.DOWNTRAINED, True, False)


@pytest.mark.parametrize(("vendor", "class_code"), [(0x5678, GPU), (0x1234, 0x010802)])
def test_a_switch_in_the_machine_does_alarm(
    vendor: int, class_code: int, judge: Callable[[Machine], AuditDocument]
) -> None:
    _, below = judge(inner(vendor, class_code)).links
    assert (below.kind, below.alarming) == (KindOfLink.SLOT, True)


@pytest.mark.parametrize(("slot", "inside"), [(None, True), (2, False)])
def test_a_switch_below_a_cards_switch(
    slot: int | None, inside: bool, judge: Callable[[Machine], AuditDocument]
) -> None:
    drive = card("8 GT/s x4", trained="2.5 GT/s x1", vendor=0x5678)
    second = switch("16 GT/s x8", port("8 GT/s x4", slot=slot).holds(drive), vendor=0x4321)
    carrier = switch("16 GT/s x16", port("16 GT/s x8").holds(second))
    *_, below = judge(machine(root_port(PORT, "16 GT/s x16", slot=1).holds(carrier))).links
    assert (below.inside_card, below.alarming) == (inside, not inside)


@pytest.mark.parametrize(("slot", "inside"), [(None, True), (2, False)])
def test_a_switch_on_a_card(slot: int | None, inside: bool, judge: Callable[[Machine], AuditDocument]) -> None:
    """Downstream Ports without a slot below a card's Upstream Port are inside it, whoever made what hangs there."""
    drive = card("8 GT/s x4", trained="2.5 GT/s x1", vendor=0x5678)
    carrier = switch("16 GT/s x16", port("8 GT/s x4", slot=slot).holds(drive))
    _, below = judge(machine(root_port(PORT, "16 GT/s x16", slot=1).holds(carrier))).links
    assert (below.inside_card, below.alarming) == (inside, not inside)


def test_a_tunnel_is_not_judged(judge_one: One) -> None:
    link = judge_one(one("16 GT/s x16", "2.5 GT/s x4", attributes={"removable": "removable"}))
    assert (link.verdict, link.kind, link.alarming) == (Verdict.UNJUDGED, KindOfLink.TUNNEL, False)


def test_a_built_in_part_never_alarms(judge_one: One) -> None:
    usb = card("16 GT/s x16", trained="8 GT/s x16", vendor=0x1022, class_code=0x0C0330)
    link = judge_one(machine(root_port(PORT, "16 GT/s x16", vendor=0x1022).holds(usb)))
    assert (link.kind, link.alarming) == (KindOfLink.INTEGRATED, False)


@pytest.mark.parametrize("severity", ["nonfatal", "fatal"])
def test_uncorrectable_errors_are_urgent(severity: str, judge_one: One) -> None:
    link = judge_one(one("16 GT/s x16", counters={severity: {"Completion Timeout": 1}}))
    assert link.verdict is Verdict.FULL
    assert link.urgent


def test_the_cautions_go_with_every_step_that_touches_hardware(judge_one: One) -> None:

    assert touches_hardware(judge_one(one("16 GT/s x16", "8 GT/s x16")).next_steps)
    assert not touches_hardware(judge_one(one("16 GT/s x16")).next_steps)
    for word in (
        "unplug",
        "ESD",
        "hot",
        "back up",
        "service manual",
        "local codes",
        "licensed",
        "charge",
        "two people",
    ):
        assert word in CAUTIONS
