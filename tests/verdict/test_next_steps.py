"""What comes next for a person: for each verdict its own steps, nothing where there is nothing to do."""

from collections.abc import Callable
from typing import Any

import pytest

from fake_sysfs import Machine, Tree, card, machine, port, root_port, switch
from probe.audit.document import LinkDocument
from probe.registers.containment import DpcStatus
from probe.registers.slot import SlotCapabilities, SlotStatus
from probe.verdict.next_steps import steps_after_load, steps_for_errors, touches_hardware

One = Callable[[Machine | Tree], LinkDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"
PRESENT: dict[Any, Any] = {SlotStatus.presence_detect_state: "card present"}
SAVE = "Save the evidence before anything"
HANDS = "(hands on: see the cautions) "


def held(trained: str, *, on_port: dict[Any, Any] | None = None, best: str = "16 GT/s x16", **changes: Any) -> Machine:
    target = changes.pop("target_gts", None)
    above = root_port(PORT, best, slot=1, registers=on_port or {}, target_gts=target)
    return machine(above.holds(card("16 GT/s x16", trained=trained, **changes)))


@pytest.mark.parametrize(
    ("described", "first", "last"),
    [
        (held("16 GT/s x8"), SAVE, f"{HANDS}Replace in the order riser or cable, card, board."),
        (held("8 GT/s x16"), SAVE, f"{HANDS}Replace in the order riser or cable, card, board."),
        (held("5 GT/s x16", target_gts=5.0), "Find who set the limit", "If nobody wanted it: reboot"),
        (held("2.5 GT/s x16", power_state="D3hot"), "Read it again while", "Read it again while"),
        (held("16 GT/s x8", best="16 GT/s x8"), "Nothing is wrong.", "Nothing is wrong."),
        (held("16 GT/s x16", on_port={DpcStatus.dpc_trigger_status: True}), SAVE, f"{HANDS}Then check the component's"),
        (
            held("16 GT/s x16", on_port={SlotStatus.power_fault_detected: True, SlotCapabilities.power_controller_present: True}),
            SAVE, f"{HANDS}Check the card's seating and its own power cables",
        ),
        (machine(root_port(PORT, "16 GT/s x16", slot=1, registers=PRESENT)), f"{HANDS}Reseat the card: it is detected",
         f"{HANDS}Reseat the card: it is detected"),
        (machine(root_port(PORT, "16 GT/s x16", slot=1, registers={**PRESENT, SlotCapabilities.power_controller_present: True})),
         "Check that the slot's power is on.", f"{HANDS}Reseat the card: it is detected"),
        (Machine(on_root_bus=(("0000:00:05.0", card("16 GT/s x16", trained="8 GT/s x16")),)),
         "Look from where both ends are visible", "Look from where both ends are visible"),
    ],
)  # fmt: skip
def test_steps_of_a_verdict(described: Machine, first: str, last: str, judge_one: One) -> None:
    steps = judge_one(described).next_steps
    assert steps[0].startswith(first)
    assert steps[-1].startswith(last)


@pytest.mark.parametrize(
    "described", [held("16 GT/s x16"), machine(root_port(PORT, "16 GT/s x16", slot=1)), machine(root_port(PORT, "16 GT/s x16", power_state="D3hot"))]
)  # fmt: skip
def test_nothing_to_do(described: Machine, judge_one: One) -> None:
    assert judge_one(described).next_steps == ()


def test_a_silent_component_has_the_steps_of_what_cannot_wait(judge_one: One) -> None:
    steps = judge_one(held("16 GT/s x16").build().silent(CARD)).next_steps
    assert steps[1].startswith("Look at the kernel log")
    assert touches_hardware(steps)


@pytest.mark.parametrize(
    ("trained", "class_code", "load_first", "wiring"),
    [
        ("8 GT/s x16", 0x030000, True, False),
        ("8 GT/s x16", 0x120000, True, False),
        ("8 GT/s x16", 0x010802, False, False),
        ("16 GT/s x8", 0x030000, False, True),
        ("8 GT/s x8", 0x030000, False, True),
        ("16 GT/s x8", 0x010802, False, True),
    ],
)
def test_steps_of_a_downtrained_link(
    trained: str, class_code: int, *, load_first: bool, wiring: bool, judge_one: One
) -> None:
    """Only a display or accelerator slows when idle, and only its speed; wiring explains a width, firmware a speed."""
    steps = judge_one(held(trained, class_code=class_code)).next_steps
    assert any("at full load" in step for step in steps) is load_first
    assert any("bifurcation" in step for step in steps) is wiring
    assert any("speed setting for this slot" in step for step in steps) is not wiring


def test_the_hands_come_last(judge_one: One) -> None:
    for trained in ("16 GT/s x8", "8 GT/s x16"):
        hands = [step.startswith(HANDS) for step in judge_one(held(trained)).next_steps]
        assert hands == sorted(hands)
        assert sum(hands) == 3
    hands = [step.startswith(HANDS) for step in steps_for_errors()]
    assert hands == [False, False, False, True, True]


def test_a_link_inside_a_card_has_no_steps_unless_it_cannot_wait(judge: Callable[[Machine | Tree], Any]) -> None:
    inner = port("16 GT/s x16").holds(card("16 GT/s x16", trained="2.5 GT/s x1", class_code=0x030000))
    described = machine(root_port(PORT, "16 GT/s x16", slot=1).holds(switch("16 GT/s x16", inner)))
    assert judge(described).links[1].next_steps == ()
    assert judge(described.build().silent("0000:03:00.0")).links[1].next_steps != ()


@pytest.mark.parametrize(
    ("found", "words"),
    [
        ({"lost": True}, ("kernel log", "Reseat", "another slot")),
        ({"below": True}, ("firmware of board", "Reseat", "another slot")),
        ({"counted": True}, ("firmware of board", "Reseat", "another slot")),
        ({"changed": True}, ("Trust nothing", "Reseat", "another slot")),
        ({"lost": True, "changed": True}, ("Trust nothing", "kernel log", "Reseat", "another slot")),
        (
            {"lost": True, "below": True, "counted": True, "changed": True},
            ("Trust nothing", "kernel log", "firmware of board", "Reseat", "another slot"),
        ),
    ],
)
def test_steps_after_a_load(found: dict[str, bool], words: tuple[str, ...]) -> None:
    asked = {"lost": False, "below": False, "counted": False, "changed": False, **found}
    first, *rest = steps_after_load(**asked)
    assert first.startswith("Keep the record")
    assert len(rest) == len(words)
    assert all(word in step for word, step in zip(words, rest, strict=True))
    assert touches_hardware(tuple(rest))


def test_no_steps_after_a_load_that_found_nothing() -> None:
    assert steps_after_load(lost=False, below=False, counted=False, changed=False) == ()
