"""Two masters on one link: what another program or the kernel does to it meanwhile, and what is never done unasked."""

from collections.abc import Callable

import pytest

from fake_sysfs.hardware import LaneFault, LinkEvent, Receiver, Wall
from fake_sysfs.hardware.model import HardwareModel
from fake_sysfs.hardware.rehearsed import COMPONENT, PORT, Rehearsed, rehearse
from probe.active.documents import exit_status
from probe.active.margining.link import Choice
from probe.active.steps import Stopped
from probe.exit_status import ExitStatus
from probe.links.state import LinkState
from tests.active.margin_bench import clean, margin, model

SMALL = Receiver(timing_steps=8, voltage_steps=32, eye=Wall(left=4, right=4, up=10, down=10))
PORT_ALONE = frozenset({"port"})
STEP_LEFT_3 = 0x4319
"""Step Margin, timing, three steps to the left, receiver 1: type 3, payload 43h."""


def lane_control(hardware: HardwareModel, lane: int) -> int:
    """The offset of a lane's control in the port."""
    return (hardware.spaces[PORT].at((True, 0x0027)) or 0) + 8 + 4 * lane


def test_a_step_that_another_program_left_is_not_overwritten() -> None:
    hardware = model({1: SMALL})
    hardware.links[PORT].lanes[PORT][2].control = STEP_LEFT_3
    hardware.as_found()
    done = margin(hardware, ends=PORT_ALONE, seconds=0.05)
    assert "lane 2 of 0000:00:01.0 stands at a step of margining (4319h)" in (done.link.stopped or "")
    assert done.model.links[PORT].lanes[PORT][2].control == STEP_LEFT_3
    clean(done)
    assert exit_status(done.document) is ExitStatus.NOTHING_JUDGED


def disturbed(hardware: HardwareModel, what: Callable[[HardwareModel], None], *, after: int = 20) -> Rehearsed:
    """A run during which somebody else does something, after so many steps of margining."""
    link = hardware.links[PORT]
    begun, real = 0, link.step_begun

    def step_begun() -> None:
        nonlocal begun
        begun += 1
        real()
        if begun == after:
            what(hardware)

    link.step_begun = step_begun  # type: ignore[method-assign] # somebody else, in the middle of ours
    return margin(hardware, ends=PORT_ALONE, seconds=0.3)


def test_somebody_else_at_lane_control_ends_the_run() -> None:
    def meddle(hardware: HardwareModel) -> None:
        hardware.links[PORT].lanes[PORT][1].control = 0x9C38

    done = disturbed(model({1: SMALL}), meddle)
    assert "lane 1 of 0000:00:01.0 holds 9c38h, where" in (done.link.stopped or "")
    assert done.model.left_behind() == []
    assert done.document.restored


@pytest.mark.parametrize("offset", [0x10, 0x11, 0x30])
def test_settings_that_somebody_else_changes_end_the_run(offset: int) -> None:
    """ASPM, Width Disable, Speed Disable of the component: the kernel may rewrite them (policy, power state)."""
    bits = {0x10: 0x02, 0x11: 0x02, 0x30: 0x20}[offset]

    def meddle(hardware: HardwareModel) -> None:
        space = hardware.spaces[COMPONENT]
        at = space.express + offset
        space.put(at, 1, space.get(at, 1) ^ bits)

    done = disturbed(model({1: SMALL}), meddle)
    assert "somebody else changed power saving or autonomous changes" in (done.link.stopped or "")
    assert done.document.restored
    assert [item for item in done.model.left_behind() if item.where != COMPONENT] == []


def test_a_link_that_got_narrower_is_not_retrained_unasked() -> None:
    hardware = model({1: SMALL}, events=(LinkEvent(after_steps=30, width=2),))
    choice = Choice(ends=PORT_ALONE, seconds=0.05)
    done = rehearse(hardware, choice)
    assert (hardware.links[PORT].trained, done.link.ended) == (0, LinkState(16.0, 2))
    assert (done.link.back, done.document.restored) == (False, True)
    assert "it was not retrained: link-loss was not accepted" in done.leftovers[0].sentence()
    assert "60h written to the byte at 070h of 0000:00:01.0" in done.leftovers[0].sentence()
    assert exit_status(done.document) is ExitStatus.URGENT
    again = model({1: SMALL}, events=(LinkEvent(after_steps=30, width=2),))
    done = rehearse(again, choice, may_retrain=True)
    assert (again.links[PORT].trained, done.link.ended, done.link.back) == (1, LinkState(16.0, 4), True)


def test_receivers_that_a_slow_link_does_not_reach_are_asked_again_when_it_is_back() -> None:
    """Commands are carried in L0 at 16 GT/s and more alone, so nobody hears Go to Normal Settings before."""
    event, choice = LinkEvent(after_steps=30, speed_gts=8.0), Choice(ends=PORT_ALONE, seconds=0.05)
    slow = rehearse(model({1: SMALL}, events=(event,)), choice)
    assert slow.link.not_normal
    assert (slow.link.ended, slow.link.back, slow.document.restored) == (LinkState(8.0, 4), False, False)
    assert exit_status(slow.document) is ExitStatus.URGENT
    back = rehearse(model({1: SMALL}, events=(event,)), choice, may_retrain=True)
    assert (back.link.ended, back.link.back, back.document.restored) == (LinkState(16.0, 4), True, True)
    assert any("ran at 8 GT/s x4 after the measuring" in reason for reason in back.link.reasons)
    assert back.model.mistakes == []
    assert back.model.left_behind() == []


@pytest.mark.parametrize("at", range(60, 300, 12))
def test_a_signal_in_the_middle_of_a_command_waits_for_its_answer(at: int) -> None:
    hardware = model({1: Receiver(timing_steps=8, voltage=False, fault=LaneFault(answer_s=0.060))}, best="16 GT/s x2")
    read, reads = hardware.read, 0

    def stopping(address: str, offset: int, size: int) -> int | None:
        nonlocal reads
        reads += 1
        if reads == at:
            raise Stopped("SIGTERM")
        return read(address, offset, size)

    hardware.read = stopping  # type: ignore[method-assign] # a signal in the middle of it
    done = rehearse(hardware, Choice(ends=PORT_ALONE, seconds=0.05))
    assert done.link.stopped == "stopped by SIGTERM"
    clean(done)


def test_a_component_that_went_is_not_back_whatever_the_port_says() -> None:
    hardware = model({1: SMALL}, events=(LinkEvent(after_steps=30, vanishes=True),))
    done = rehearse(hardware, Choice(ends=PORT_ALONE, seconds=0.05))
    assert (done.link.ended, done.link.back) == (LinkState(), False)
    assert exit_status(done.document) is ExitStatus.URGENT


def test_a_receiver_that_forgets_its_bits_says_nothing_of_a_ratio() -> None:
    done = margin(
        model({1: Receiver(timing_steps=8, voltage=False, fault=LaneFault(counts_nothing=True))}), ends=PORT_ALONE
    )
    clean(done)
    lane = done.link.receivers[0].lanes[0]
    assert lane.left is not None
    assert lane.left.last_good is not None
    assert (lane.left.last_good.bits, lane.left.last_good.ratio_below) == (None, None)
