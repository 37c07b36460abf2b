"""What excuses a slow or narrow link as rest, and what does not."""

from collections.abc import Callable
from typing import Any

import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.audit import audit
from probe.audit.document import LinkDocument
from probe.evidence import Why
from probe.host.machine import read_machine
from probe.registers.function import DeviceControl3, DeviceStatus3
from probe.registers.link import LinkStatus, LinkStatus2
from probe.registers.physical import Status16, Status32
from probe.verdict.verdicts import Verdict

One = Callable[[Machine | Tree], LinkDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"
GPU = 0x030200
Registers = dict[Any, Any]
AUTONOMOUS, MANAGED = LinkStatus.link_autonomous_bandwidth_status, LinkStatus.link_bandwidth_management_status


def held(trained: str, *, on_port: Registers | None = None, **changes: Any) -> Machine:
    best = changes.pop("best", "16 GT/s x16")
    at_port = {name: changes.pop(f"port_{name}") for name in ("power_state",) if f"port_{name}" in changes}
    return machine(
        root_port(PORT, best, slot=1, registers=on_port or {}, **at_port).holds(card(best, trained=trained, **changes))
    )


def meanings(link: LinkDocument) -> str:
    return "\n".join(reason.meaning for reason in link.reasons)


@pytest.mark.parametrize(
    ("busy", "verdict", "doubtful"),
    [
        ("0", Verdict.RESTING, False),
        ("4", Verdict.RESTING, False),
        ("5", Verdict.DOWNTRAINED, False),
        ("100", Verdict.DOWNTRAINED, False),
        ("-1", Verdict.DOWNTRAINED, True),
        ("", Verdict.DOWNTRAINED, True),
    ],
)
def test_idle_is_below_five_percent(busy: str, verdict: Verdict, *, doubtful: bool, judge_one: One) -> None:
    """The file: kernel `Documentation/gpu/amdgpu`, gpu_busy_percent. The border: common practice, no published source."""
    trained: Registers = {Status16.equalization_complete: True}
    described = held(
        "2.5 GT/s x16", on_port=trained, class_code=GPU, attributes={"gpu_busy_percent": busy}, registers=trained
    )
    link = judge_one(described)
    assert (link.verdict, link.doubtful) == (verdict, doubtful)
    if verdict is Verdict.RESTING:
        assert any(reason.value == f"{busy} %" for reason in link.reasons)


def test_the_counter_of_a_drive_says_nothing_of_its_link(judge_one: One) -> None:
    assert judge_one(held("2.5 GT/s x16", attributes={"gpu_busy_percent": "0"})).verdict is Verdict.DOWNTRAINED


@pytest.mark.parametrize(
    ("levels", "verdict"),
    [
        ("0: 2.5GT/s, x16 *\n1: 16.0GT/s, x16", Verdict.RESTING),
        ("0: 2.5GT/s, x16\n1: 8.0GT/s, x16 *\n2: 16.0GT/s, x16", Verdict.RESTING),
        ("0: 2.5GT/s, x16\n1: 16.0GT/s, x16 *", Verdict.DOWNTRAINED),
        ("0: 2.5GT/s, x16\n1: 16.0GT/s, x16", Verdict.DOWNTRAINED),
        ("0: 16.0GT/s, x16 *", Verdict.DOWNTRAINED),
        ("", Verdict.DOWNTRAINED),
    ],
)
def test_a_level_below_the_last_was_chosen_by_the_driver(levels: str, verdict: Verdict, judge_one: One) -> None:
    """Kernel `Documentation/gpu/amdgpu`, pp_dpm_pcie: one level a line, the fastest last, the one in use marked *."""
    link = judge_one(held("2.5 GT/s x16", class_code=GPU, attributes={"pp_dpm_pcie": levels}))
    assert link.verdict is verdict
    marked = next((line for line in levels.splitlines() if "*" in line), None)
    assert any(reason.value == marked for reason in link.reasons) is (verdict is Verdict.RESTING)


@pytest.mark.parametrize(
    ("port", "component", "verdict"),
    [
        ("D0", "D3hot", Verdict.RESTING),
        ("D3hot", "D0", Verdict.RESTING),
        ("D3hot", "D3hot", Verdict.RESTING),
        ("D0", "D0", Verdict.DOWNTRAINED),
    ],
)
def test_sleep_of_either_end_excuses_a_slow_link(port: str, component: str, verdict: Verdict, judge_one: One) -> None:
    link = judge_one(held("2.5 GT/s x16", power_state=component, port_power_state=port))
    assert link.verdict is verdict
    slept = [reason.source for reason in link.reasons if reason.meaning.startswith("asleep")]
    ends = ((PORT, port), (CARD, component))
    assert slept == [f"power_state of {address}" for address, state in ends if state == "D3hot"]


@pytest.mark.parametrize(("second", "verdict"), [("D3hot", Verdict.RESTING), ("D0", Verdict.DOWNTRAINED)])
def test_a_component_sleeps_where_all_its_functions_do(second: str, verdict: Verdict, judge_one: One) -> None:
    below = card("16 GT/s x16", trained="2.5 GT/s x16", power_state="D3hot").also(power_state=second)
    assert judge_one(machine(root_port(PORT, "16 GT/s x16", slot=1).holds(below))).verdict is verdict


@pytest.mark.parametrize(
    ("autonomous", "managed", "verdict", "told"),
    [
        (True, False, Verdict.RESTING, "not to cure errors"),
        (True, True, Verdict.DOWNTRAINED, "no excuse"),
        (False, True, Verdict.DOWNTRAINED, ""),
        (False, False, Verdict.DOWNTRAINED, ""),
    ],
)
@pytest.mark.parametrize("trained", ["16 GT/s x8", "2.5 GT/s x16"])
def test_bandwidth_bits_of_the_port(
    trained: str, *, autonomous: bool, managed: bool, verdict: Verdict, told: str, judge_one: One
) -> None:
    """Base Specification 6.x, 7.5.3.8 (from memory): bits 15 and 14 of Link Status."""
    equalized: Registers = {Status16.equalization_complete: True}
    bits: Registers = {AUTONOMOUS: autonomous, MANAGED: managed, **equalized}
    link = judge_one(held(trained, on_port=bits, registers=equalized))
    assert link.verdict is verdict
    assert told in meanings(link)
    assert ("no excuse" in meanings(link)) is (autonomous and managed)
    assert ("not to cure errors" in meanings(link)) is (autonomous and not managed)


@pytest.mark.parametrize(
    ("on_port", "on_card", "verdict"),
    [
        (True, True, Verdict.RESTING), (True, False, Verdict.RESTING), (False, True, Verdict.RESTING),
        (False, False, Verdict.DOWNTRAINED),
    ],
)  # fmt: skip
def test_both_ends_must_say_that_the_best_speed_was_never_reached(
    on_port: bool, on_card: bool, verdict: Verdict, judge_one: One
) -> None:
    link = judge_one(
        held(
            "2.5 GT/s x16", on_port={AUTONOMOUS: True, Status16.equalization_complete: on_port},
            registers={Status16.equalization_complete: on_card},
        )
    )  # fmt: skip
    assert link.verdict is verdict


@pytest.mark.parametrize("received", [True, False])
def test_no_equalization_needed_leaves_open_whether_it_trained(received: bool, judge_one: One) -> None:
    """Base Specification 6.x, 7.7.6.4: bit 10 of 32.0 GT/s Status (EDK II `PciExpress50.h`)."""
    skipped: Registers = {Status32.no_equalization_needed_received: received}
    link = judge_one(held("2.5 GT/s x16", best="32 GT/s x16", registers=skipped))
    assert ("never trained" in meanings(link)) is not received
    assert link.doubtful is received


FLIT: Registers = {LinkStatus2.flit_mode_status: True}
L0P: Registers = {DeviceControl3.l0p_enable: True}


@pytest.mark.parametrize(
    ("on_port", "on_card", "verdict"),
    [
        ({**FLIT, **L0P, DeviceStatus3.initial_link_width: 16}, {}, Verdict.RESTING),
        ({**FLIT}, {**L0P, DeviceStatus3.initial_link_width: 16}, Verdict.RESTING),
        ({}, {**FLIT, **L0P, DeviceStatus3.initial_link_width: 16}, Verdict.RESTING),
        ({**FLIT, **L0P}, {**FLIT, DeviceStatus3.initial_link_width: 16}, Verdict.RESTING),
        ({**FLIT, **L0P, DeviceStatus3.initial_link_width: 8}, {}, Verdict.DOWNTRAINED),
        ({**L0P, DeviceStatus3.initial_link_width: 16}, {}, Verdict.DOWNTRAINED),  # not in Flit mode
        ({**FLIT, DeviceStatus3.initial_link_width: 16}, {}, Verdict.DOWNTRAINED),  # lanes may not rest
    ],
)
def test_lanes_at_rest(on_port: Registers, on_card: Registers, verdict: Verdict, judge_one: One) -> None:
    clear: Registers = {LinkStatus2.flit_mode_status: False, DeviceControl3.l0p_enable: False}
    described = held("64 GT/s x8", best="64 GT/s x16", on_port={**clear, **on_port}, registers={**clear, **on_card})
    assert judge_one(described).verdict is verdict


def test_an_end_left_asleep_claims_no_shortfall(judge_one: One) -> None:
    tree = held("2.5 GT/s x16", power_state="D3cold").build()
    for name in ("config", "max_link_speed", "max_link_width", "current_link_speed", "current_link_width"):
        tree = tree.failing(CARD, name, Why.ASLEEP)
    link = judge_one(tree)
    assert (link.verdict, link.shortfall, link.alarming) == (Verdict.RESTING, (), False)


@pytest.mark.parametrize(
    ("trained", "doubtful"), [("8 GT/s x16", True), ("16 GT/s x8", False), ("8 GT/s x8", False), ("16 GT/s x16", False)]
)
def test_only_a_short_speed_is_in_doubt(trained: str, *, doubtful: bool, judge_one: One) -> None:
    trained_once: Registers = {Status16.equalization_complete: True}
    link = judge_one(held(trained, on_port=trained_once, registers=trained_once))
    assert link.doubtful is doubtful
    assert ("no evidence of rest or work" in str(link.reasons)) is doubtful


@pytest.mark.parametrize(
    ("why", "verdict"),
    [
        (Why.ASLEEP, Verdict.RESTING),
        (Why.FAILED, Verdict.UNJUDGED),
        (Why.GONE, Verdict.UNJUDGED),
        (Why.DENIED, Verdict.UNJUDGED),
    ],
)
def test_only_sleep_excuses_that_an_end_was_not_asked(why: Why, verdict: Verdict) -> None:
    """As `--wake` reads it: the component sleeps, and was asked all the same."""
    tree = held("2.5 GT/s x8", power_state="D3hot").build()
    for name in ("config", "max_link_speed", "max_link_width", "current_link_speed", "current_link_width"):
        tree = tree.failing(CARD, name, why)
    (link,) = audit(read_machine(tree.source(), wake=True)).links
    assert (link.verdict, link.shortfall, link.alarming) == (verdict, (), False)
