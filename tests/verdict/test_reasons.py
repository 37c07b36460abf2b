"""The reasons of a verdict: what each rests on, whose it is, and in which order they stand."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from fake_sysfs import Machine, SlotRecord, Tree, card, machine, root_port
from probe.audit.document import LinkDocument
from probe.evidence import Why
from probe.registers.containment import DpcStatus
from probe.registers.link import LinkCapabilities, LinkControl, LinkControl2, LinkStatus, LinkStatus2
from probe.registers.physical import LaneErrorStatus, LocalDataParity, Status16
from probe.registers.slot import SlotCapabilities, SlotControl, SlotStatus
from probe.verdict.lanes import suspect_lanes
from probe.verdict.rules import RULES
from probe.verdict.verdicts import Verdict

One = Callable[[Machine | Tree], LinkDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"
SPEED, WIDTH, BOTH = ("speed",), ("width",), ("speed", "width")
Registers = dict[Any, Any]


def held(trained: str, *, best: str = "16 GT/s x16", on_port: Registers | None = None, **changes: Any) -> Machine:
    at_port = {name: changes.pop(name) for name in ("target_gts", "slot") if name in changes}
    return machine(
        root_port(PORT, best, registers=on_port or {}, **at_port).holds(card("16 GT/s x16", trained=trained, **changes))
    )


def told(link: LinkDocument) -> list[tuple[str, str]]:
    return [(reason.source, reason.meaning) for reason in link.reasons]


def test_a_short_speed_tells_what_it_is_and_what_each_end_can_do(judge_one: One) -> None:
    link = judge_one(held("8 GT/s x16", best="32 GT/s x16"))
    assert told(link)[:3] == [
        (f"Link Status of {PORT}, offset 072h", "the speed the link trained to"),
        (f"Link Capabilities of {PORT}, offset 06ch", "the best the port above can do"),
        (f"Link Capabilities of {CARD}, offset 06ch", "the best the component below can do"),
    ]
    assert [reason.value.split(" (")[0] for reason in link.reasons[:3]] == [
        "Current Link Speed 8 GT/s", "Max Link Speed 32 GT/s", "Max Link Speed 16 GT/s",
    ]  # fmt: skip


def test_a_short_width_comes_before_the_speed(judge_one: One) -> None:
    link = judge_one(held("8 GT/s x4"))
    assert [meaning for _, meaning in told(link)[:6]] == [
        "the width the link trained to", "the best the port above can do", "the best the component below can do",
        "the speed the link trained to", "the best the port above can do", "the best the component below can do",
    ]  # fmt: skip
    assert link.reasons[0].value.startswith("Negotiated Link Width 4 lanes")
    only_width = judge_one(held("16 GT/s x4"))
    assert "the speed the link trained to" not in str(told(only_width))


@pytest.mark.parametrize(
    ("best", "short", "lesser"),
    [("8 GT/s x8", BOTH, 2), ("8 GT/s x16", SPEED, 1), ("16 GT/s x8", WIDTH, 1)],
)
def test_a_lesser_slot_is_told_for_what_it_lacks(
    best: str, short: tuple[str, ...], lesser: int, judge_one: One
) -> None:
    link = judge_one(held(best, best=best))
    assert link.verdict is Verdict.LIMITED
    named = [name for name in BOTH if any(f"the slot's {name} is below" in meaning for _, meaning in told(link))]
    assert tuple(named) == short
    assert sum("a better slot would carry more" in meaning for _, meaning in told(link)) == lesser
    assert all(CARD in source for source, meaning in told(link) if "a better slot" in meaning)
    assert len(link.reasons) == 3 * lesser


@pytest.mark.parametrize(
    ("best", "verdict"), [("32 GT/s x16", Verdict.FULL), ("16 GT/s x32", Verdict.FULL), ("32 GT/s x32", Verdict.FULL)]
)
def test_a_better_slot_is_no_limit(best: str, verdict: Verdict, judge_one: One) -> None:
    link = judge_one(held("16 GT/s x16", best=best))
    assert link.verdict is verdict
    assert [meaning for _, meaning in told(link)] == ["the best both ends can do"]
    assert link.reasons[0].source == f"Link Status of {PORT}, offset 072h"
    assert link.reasons[0].value.count(";") == 1


@pytest.mark.parametrize(
    ("target", "trained", "verdict"),
    [(5.0, "5 GT/s x16", Verdict.CAPPED), (8.0, "5 GT/s x16", Verdict.DOWNTRAINED), (2.5, "5 GT/s x16", Verdict.DOWNTRAINED)],
)  # fmt: skip
def test_a_target_holds_a_link_at_its_own_speed_alone(
    target: float, trained: str, verdict: Verdict, judge_one: One
) -> None:
    link = judge_one(held(trained, target_gts=target))
    assert link.verdict is verdict
    if verdict is Verdict.CAPPED:
        assert link.reasons[0].meaning == "the speed is held here, below what both ends can do"
        assert link.reasons[0].source.startswith(f"Link Control 2 of {PORT}")


def test_a_target_holds_whoever_tells_the_speed(judge_one: One) -> None:
    """Link Status with a reserved speed code at both ends: the kernel's file says 5 GT/s, as Target Link Speed does."""
    tree = held("5 GT/s x16", target_gts=5.0).build()
    for address in (PORT, CARD):
        tree = tree.with_bytes(address, 0x60 + LinkStatus.offset, b"\x0f\x11")
        tree = tree.with_attribute(address, "current_link_speed", "5.0 GT/s PCIe")
    link = judge_one(tree)
    assert (link.negotiated.speed_gts, link.verdict) == (5.0, Verdict.CAPPED)


@pytest.mark.parametrize(("disabled", "verdict"), [(True, Verdict.CAPPED), (False, Verdict.DOWNTRAINED)])
def test_a_components_target_counts_where_it_may_not_change_by_itself(
    disabled: bool, verdict: Verdict, judge_one: One
) -> None:
    target: Registers = {LinkControl2.target_link_speed: 5.0, LinkControl2.hardware_autonomous_speed_disable: disabled}
    link = judge_one(held("5 GT/s x16", registers=target))
    assert link.verdict is verdict
    assert ("may not raise the speed on its own" in str(told(link))) is disabled


@pytest.mark.parametrize(
    ("wired", "trained", "words", "suspects"),
    [
        (0x0B, "16 GT/s x8", "the slot has no more lanes: wiring, not a bad lane", False),
        (0x0B, "16 GT/s x4", "the slot has fewer lanes than the port, and some are lost", True),
        (0x0D, "16 GT/s x8", None, True),
        (0x0E, "16 GT/s x8", None, True),
        (0x0A, "16 GT/s x8", "the slot has no more lanes: wiring, not a bad lane", False),
        (0x08, "16 GT/s x1", "the slot has no more lanes: wiring, not a bad lane", False),
        (0x02, "16 GT/s x8", None, True),  # unknown
    ],
)
def test_what_firmware_says_of_the_wiring(
    wired: int, trained: str, words: str | None, *, suspects: bool, judge_one: One
) -> None:
    """SMBIOS 3.7, 7.10.2 Slot Data Bus Width: 0Ah x4, 0Bh x8, 0Dh x16, 0Eh x32, 02h unknown."""
    record = SlotRecord(designation="RISER 1", type_code=0xB6, width_code=wired, address=PORT, id=1)
    link = judge_one(replace(held(trained), smbios_slots=(record,)))
    assert link.verdict is Verdict.DOWNTRAINED
    said = [meaning for source, meaning in told(link) if source == "SMBIOS System Slots, RISER 1"]
    assert said == ([] if words is None else [words])
    assert bool(link.suspect_lanes) is suspects
    assert any("a fault in lane" in meaning for _, meaning in told(link)) is suspects


@pytest.mark.published("AMD PG343, Lane Becomes Faulty; PG213, Link Partner Supports Fewer Lanes")
@pytest.mark.parametrize(
    ("trained", "possible", "lanes"),
    [(8, 16, range(8, 16)), (4, 16, range(4, 8)), (2, 16, range(2, 4)), (1, 16, range(1, 2)), (8, 12, range(8, 12)),
     (1, 2, range(1, 2)), (16, 16, range(0)), (16, 8, range(0)), (0, 16, range(0)), (0, 0, range(0)), (16, 32, range(16, 32))],
)  # fmt: skip
def test_suspect_lanes(trained: int, possible: int, lanes: range) -> None:
    assert list(suspect_lanes(trained, possible)) == list(lanes)


@pytest.mark.parametrize(
    ("trained", "named"), [("16 GT/s x8", "lane 8 to 15 "), ("16 GT/s x1", "lane 1 "), ("16 GT/s x2", "lane 2 to 3 ")]
)
def test_the_lanes_in_question_are_named(trained: str, named: str, judge_one: One) -> None:
    reason = next(reason for reason in judge_one(held(trained)).reasons if "a fault in lane" in reason.meaning)
    assert f"a fault in {named}would leave" in reason.meaning
    assert reason.value == f"{trained.rsplit(maxsplit=1)[-1]} of x16"


def test_error_bits_of_lanes_narrow_a_short_width_down(judge_one: One) -> None:
    link = judge_one(
        held(
            "16 GT/s x8", on_port={LaneErrorStatus.lanes: (8, 9)}, registers={LocalDataParity.lanes: (9,)}
        )
    )  # fmt: skip
    seen = [(r.source, r.value, r.meaning) for r in link.reasons if "errors were seen" in r.meaning]
    assert seen == [
        (f"Lane Error Status of {PORT}", "00000300h", "errors were seen in lane 8, 9 since last cleared"),
        (
            f"16.0 GT/s Local Data Parity Mismatch Status of {CARD}",
            "00000200h",
            "errors were seen in lane 9 since last cleared",
        ),
    ]
    assert link.lanes_in_error == {"port": (8, 9), "component": ()}
    full = judge_one(held("16 GT/s x16", on_port={LaneErrorStatus.lanes: (8, 9)}))
    assert "errors were seen" not in str(full.reasons)


COMPLETE_8: Registers = {
    LinkStatus2.equalization_8_complete: True, LinkStatus2.equalization_8_phase_1_successful: True,
    LinkStatus2.equalization_8_phase_2_successful: True, LinkStatus2.equalization_8_phase_3_successful: True,
}  # fmt: skip
NO_8: Registers = dict.fromkeys(COMPLETE_8, False)


@pytest.mark.parametrize(
    ("registers", "words"),
    [
        (COMPLETE_8, "completed in all phases"),
        ({**COMPLETE_8, LinkStatus2.equalization_8_phase_3_successful: False}, "ended with phases 1, 2 successful"),
        ({**COMPLETE_8, LinkStatus2.equalization_8_phase_1_successful: False}, "ended with phases 2, 3 successful"),
        ({**NO_8, LinkStatus2.equalization_8_complete: True}, "ended with phases none successful"),
        (NO_8, "was not completed"),
        ({**COMPLETE_8, LinkStatus2.equalization_8_complete: False}, "was not completed"),
    ],
)
def test_how_far_equalization_came(registers: Registers, words: str, judge_one: One) -> None:
    link = judge_one(held("5 GT/s x16", on_port=registers))
    said = [meaning for _, meaning in told(link) if meaning.startswith("equalization at")]
    assert said == [f"equalization at 8.0 GT/s {words}", "equalization at 16.0 GT/s was not completed"]


def test_equalization_is_told_up_to_what_is_possible(judge_one: One) -> None:
    link = judge_one(held("2.5 GT/s x16", best="8 GT/s x16"))
    assert [meaning for _, meaning in told(link) if meaning.startswith("equalization at")] == [
        "equalization at 8.0 GT/s was not completed"
    ]
    width = judge_one(held("16 GT/s x8"))
    assert "equalization at" not in str(told(width))


@pytest.mark.parametrize(
    ("on_port", "on_card", "history"),
    [
        (True, True, "it did train at 16 GT/s, and slowed since"), (False, False, "it never trained at 16 GT/s since its reset"),
        (True, False, None), (False, True, None),
    ],
)  # fmt: skip
def test_what_equalization_says_of_the_past(on_port: bool, on_card: bool, history: str | None, judge_one: One) -> None:
    link = judge_one(
        held(
            "8 GT/s x16", on_port={Status16.equalization_complete: on_port},
            registers={Status16.equalization_complete: on_card},
        )
    )  # fmt: skip
    said = [(source, meaning) for source, meaning in told(link) if source.startswith("equalization of")]
    assert said == ([] if history is None else [(f"equalization of {PORT} and {CARD}", history)])


def test_no_history_below_8(judge_one: One) -> None:
    link = judge_one(held("2.5 GT/s x16", best="5 GT/s x16"))
    assert not any(source.startswith("equalization of") for source, _ in told(link))


@pytest.mark.parametrize(
    ("now", "contradicted"),
    [("32 GT/s x16", True), ("16 GT/s x32", True), ("16 GT/s x16", False), ("8 GT/s x8", False)],
)
def test_a_link_above_what_an_end_can_do(now: str, *, contradicted: bool, judge_one: One) -> None:
    link = judge_one(held(now))
    assert ("the hardware contradicts itself" in str(told(link))) is contradicted
    if contradicted:
        assert any(reason.value == f"{now} against 16 GT/s x16" for reason in link.reasons)


@pytest.mark.parametrize(
    ("why", "meaning"),
    [
        (Why.SHORT, "needs root (CAP_SYS_ADMIN) to be read whole"),
        (Why.DENIED, "needs root (CAP_SYS_ADMIN) to be read whole"),
        (Why.ASLEEP, "left asleep; --wake reads it"),
        (Why.GONE, "could not be read"),
        (Why.FAILED, "could not be read"),
    ],
)
def test_what_was_missing(why: Why, meaning: str, judge_one: One) -> None:
    tree = held("16 GT/s x16").build().without_link_attributes()
    for address in (PORT, CARD):
        tree = tree.failing(address, "config", why)
        tree = tree.with_attribute(address, "max_link_speed", "Unknown")
    link = judge_one(tree)
    assert link.verdict is Verdict.UNJUDGED
    assert {said for _, said in told(link)} == {meaning}
    assert all(reason.value == f"{why}: No such device" for reason in link.reasons)


def test_neither_end_says_what_the_link_is(judge_one: One) -> None:
    tree = held("16 GT/s x16").build().unprivileged()
    for address in (PORT, CARD):
        for name in ("max_link_speed", "current_link_speed"):
            tree = tree.with_attribute(address, name, "Unknown")
    link = judge_one(tree)
    assert link.verdict is Verdict.UNJUDGED
    assert any("needs root" in meaning or "neither end" in meaning for _, meaning in told(link))


@pytest.mark.parametrize(
    ("files", "stated"),
    [
        ({"max_link_speed": "Unknown", "max_link_width": "0"}, "not stated"),
        ({"max_link_speed": "Unknown"}, "speed not stated, width 16"),
        ({"max_link_width": "0"}, "speed 16.0, width not stated"),
    ],
)
def test_an_end_that_states_half_of_what_it_can(files: dict[str, str], stated: str, judge_one: One) -> None:
    tree = held("16 GT/s x16").build().unprivileged()
    for name, text in files.items():
        tree = tree.with_attribute(PORT, name, text)
    link = judge_one(tree)
    assert link.verdict is Verdict.FULL
    assert (link.reasons[0].source, link.reasons[0].value) == (f"Link Capabilities of {PORT}", stated)
    assert link.reasons[0].meaning == "states no capability of its own: judged from the other end alone"
    assert link.reasons[1].meaning == f"the best that {CARD} can do: nothing better exists"


def test_a_link_whose_unread_end_hides_what_it_can_claims_nothing(judge_one: One) -> None:
    tree = held("8 GT/s x16").build().unprivileged().failing(PORT, "max_link_speed")
    link = judge_one(tree)
    assert (link.verdict, link.shortfall, link.alarming) == (Verdict.UNJUDGED, (), False)
    assert "what it can do was not read" in link.reasons[0].meaning


OFF: Registers = {SlotCapabilities.power_controller_present: True, SlotControl.power_controller_control: "power off"}
PRESENT: Registers = {SlotStatus.presence_detect_state: "card present"}
UP: Registers = {LinkStatus.data_link_layer_link_active: True}
LINK_OFF: Registers = {LinkControl.link_disable: True}
TRAINING: Registers = {LinkStatus.link_training: True}
TELLS: Registers = {LinkCapabilities.data_link_layer_link_active_reporting_capable: True}


@pytest.mark.parametrize(
    ("registers", "verdict", "shortfall", "words"),
    [
        ({}, Verdict.EMPTY, (), ["nothing is attached"]),
        (OFF, Verdict.EMPTY, (), ["nothing is attached", "power is switched off"]),
        ({**OFF, SlotCapabilities.power_controller_present: False}, Verdict.EMPTY, (), ["nothing is attached"]),
        (LINK_OFF, Verdict.EMPTY, (), ["nothing is attached", "switched off by software"]),
        ({**PRESENT, **TELLS}, Verdict.UNJUDGED, BOTH, ["a card is in the slot", "did not come up"]),
        ({**PRESENT, **TELLS, **OFF}, Verdict.UNJUDGED, (), ["power is switched off", "a card is in the slot"]),
        ({**PRESENT, **TELLS, **LINK_OFF}, Verdict.UNJUDGED, (), ["switched off by software", "a card is in the slot"]),
        ({**PRESENT, **TELLS, **TRAINING}, Verdict.UNJUDGED, (), ["a card is in the slot", "is training"]),
        ({**PRESENT, **TELLS, **UP}, Verdict.UNJUDGED, (), ["a card is in the slot", "the link is up"]),
        ({**UP, **TELLS}, Verdict.UNJUDGED, (), ["the link is up"]),
        (TRAINING, Verdict.UNJUDGED, (), ["is training"]),
    ],
)
def test_an_unlisted_slot(
    registers: Registers, verdict: Verdict, shortfall: tuple[str, ...], words: list[str], judge_one: One
) -> None:
    link = judge_one(machine(root_port(PORT, "16 GT/s x16", slot=1, registers=registers)))
    assert (link.verdict, link.shortfall, link.alarming) == (verdict, shortfall, bool(shortfall))
    assert len(link.reasons) == len(words)
    assert all(word in reason.meaning for word, reason in zip(words, link.reasons, strict=True))
    assert all(PORT in reason.source for reason in link.reasons)


@pytest.mark.parametrize(
    ("controller", "fault", "found"), [(True, True, True), (False, True, False), (True, False, False)]
)
def test_a_power_fault_needs_a_power_controller(*, controller: bool, fault: bool, found: bool, judge_one: One) -> None:
    """Base Specification 6.x, 7.5.3.11: the bit has a meaning where the slot has a power controller."""
    registers: Registers = {
        SlotCapabilities.power_controller_present: controller, SlotStatus.power_fault_detected: fault,
    }  # fmt: skip
    link = judge_one(machine(root_port(PORT, "16 GT/s x16", slot=1, registers=registers).holds(card("16 GT/s x16"))))
    assert (link.alarming, link.power_fault) == (found, found)
    assert link.verdict is Verdict.FULL


TRIGGERED: Registers = {DpcStatus.dpc_trigger_status: True}
ORDER: dict[str, tuple[Machine | Tree, Verdict, str]] = {
    "containment before a silent component": (
        held("16 GT/s x16", on_port=TRIGGERED).build().silent(CARD), Verdict.UNJUDGED, "contained an error"),
    "containment before an empty slot": (
        machine(root_port(PORT, "16 GT/s x16", slot=1, registers=TRIGGERED)), Verdict.UNJUDGED, "contained an error"),
    "containment before a short width": (held("16 GT/s x8", on_port=TRIGGERED), Verdict.UNJUDGED, "contained an error"),
    "a silent component before a tunnel": (
        held("16 GT/s x16", attributes={"removable": "removable"}).build().silent(CARD), Verdict.UNJUDGED, "nothing answers"),
    "a silent port of an empty slot": (
        machine(root_port(PORT, "16 GT/s x16", slot=1)).build().silent(PORT), Verdict.UNJUDGED, "nothing answers"),
    "a tunnel before a short width": (
        held("16 GT/s x8", attributes={"removable": "removable"}), Verdict.UNJUDGED, "a tunnelled link"),
    "a hidden port before a short width": (
        Machine(on_root_bus=(("0000:00:05.0", card("16 GT/s x16", trained="16 GT/s x8")),)), Verdict.UNJUDGED, "no port is visible"),
    "a target before a width that narrowed itself": (
        held("5 GT/s x8", target_gts=5.0, on_port={LinkStatus.link_autonomous_bandwidth_status: True}), Verdict.CAPPED, "held here"),
    "a short width before a target": (held("5 GT/s x8", target_gts=5.0), Verdict.DOWNTRAINED, "width the link trained to"),
    "a target before sleep": (held("5 GT/s x16", target_gts=5.0, power_state="D3hot"), Verdict.CAPPED, "held here"),
    "sleep before a short speed": (held("5 GT/s x16", power_state="D3hot"), Verdict.RESTING, "asleep"),
    "a short width before a lesser slot": (held("8 GT/s x4", best="8 GT/s x8"), Verdict.DOWNTRAINED, "width the link trained to"),
    "a short speed before a lesser slot": (held("5 GT/s x8", best="8 GT/s x8"), Verdict.DOWNTRAINED, "speed the link trained to"),
    "a lesser slot before the best of both": (held("8 GT/s x8", best="8 GT/s x8"), Verdict.LIMITED, "speed the link trained to"),
}  # fmt: skip


@pytest.mark.parametrize("name", ORDER)
def test_the_order_of_the_questions(name: str, judge_one: One) -> None:
    described, verdict, words = ORDER[name]
    link = judge_one(described)
    assert link.verdict is verdict
    assert words in link.reasons[0].meaning


def test_the_order_is_the_policy() -> None:
    assert [rule.__name__ for rule in RULES] == [
        "port_contained", "nothing_attached", "an_end_is_silent", "a_tunnel", "no_state_read", "an_end_unread",
        "width_is_short", "held_by_target_speed", "component_asleep", "speed_is_short", "slot_is_lesser", "all_it_can",
    ]  # fmt: skip
