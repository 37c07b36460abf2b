"""Every fault of the model, and what the client makes of it: never a margin where none was measured, all put back."""

from typing import Any

import pytest

from fake_sysfs.hardware import LaneFault, LinkEvent, MarginingPort, Receiver, Wall
from fake_sysfs.hardware.rehearsed import COMPONENT, PORT, Rehearsed
from probe.active.documents import exit_status
from probe.active.margining.document import SIDES, LaneMargin, Limits
from probe.exit_status import ExitStatus
from probe.registers.function import PowerManagementControlStatus
from probe.result import Result
from tests.active.margin_bench import clean, margin, model


def _small(**changes: Any) -> Receiver:
    return Receiver(**{"timing_steps": 8, "voltage_steps": 32, "eye": Wall(left=4, right=4, up=10, down=10), **changes})


def _port(fault: LaneFault, *, lane: int = 1, **receiver: object) -> Rehearsed:
    """The port's receiver of an x4 link, with a fault in one lane."""
    described = _small(faults={lane: fault}, **receiver)
    return margin(model({1: described}), ends=frozenset({"port"}), seconds=0.05)


def _lanes(done: Rehearsed) -> tuple[LaneMargin, ...]:
    (receiver,) = done.link.receivers
    return receiver.lanes


def _measured(lane: LaneMargin) -> dict[str, int]:
    return {name: side.steps for name in SIDES if (side := lane.side(name)) is not None}


_ALL = {"left": 4, "right": 4, "up": 10, "down": 10}


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        (LaneFault(silent=True), "did not answer"),
        (LaneFault(answers_as=3), "did not answer"),
        (LaneFault(answers_type=5), "did not answer"),
        (LaneFault(answer_s=0.300), "did not answer"),
        (LaneFault(registers_limit=9), "payload c9h in place of c4h"),
        (LaneFault(stuck_in_set_up=True), "still setting up"),
        (LaneFault(set_up_s=0.500), "still setting up"),
        (LaneFault(nak_from=1), "does not support step 1"),
        (LaneFault(nak_from=3), "does not support step 3"),
        (LaneFault(dies_after_steps=2), "did not answer"),
    ],
)
def test_a_lane_that_does_not_do_its_part_is_not_measured(fault: LaneFault, why: str) -> None:
    done = _port(fault)
    lanes = _lanes(done)
    assert [_measured(lane) for lane in lanes] == [_ALL, {}, _ALL, _ALL]
    assert why in (lanes[1].unmeasured or "")
    assert all(lane.unmeasured is None for lane in (lanes[0], *lanes[2:]))
    assert done.link.result is Result.INCONCLUSIVE or not done.document.restored
    assert done.model.mistakes == []
    assert done.model.left_behind() == [] or fault.dies_after_steps is not None


def test_a_nak_within_the_range_is_no_margin_and_only_that_way_is_lost() -> None:
    done = _port(LaneFault(nak_from=9))  # voltage has steps past 8, timing has not
    clean(done)
    lane = _lanes(done)[1]
    assert _measured(lane) == {"left": 4, "right": 4}
    assert set(lane.unmeasured_sides) == {"up", "down"}
    assert "says nothing of the margin" in (lane.unmeasured or "")
    assert exit_status(done.document) is ExitStatus.NOTHING_JUDGED


@pytest.mark.parametrize("fault", [LaneFault(dirty_reserved=True), LaneFault(errors_within=3)])
def test_what_a_reader_must_tolerate(fault: LaneFault) -> None:
    """Reserved bits set in answers; errors within the limit."""
    done = _port(fault)
    clean(done)
    assert [_measured(lane) for lane in _lanes(done)] == [_ALL] * 4
    assert done.link.result is Result.PASSED


def test_errors_past_the_limit_end_a_way_though_the_receiver_goes_on() -> None:
    done = _port(LaneFault(errors_within=5))
    clean(done)
    assert _measured(_lanes(done)[1]) == {"left": 0, "right": 0, "up": 0, "down": 0}
    assert done.link.result is Result.FAILED
    assert exit_status(done.document) is ExitStatus.FOUND


@pytest.mark.parametrize(
    ("fault", "note"),
    [
        (LaneFault(answer_s=0.040), "answered a command only after"),
        (LaneFault(answer_s=0.140), "answered a command only after"),
        (LaneFault(set_up_s=0.150), "to set up a step"),
    ],
)
def test_a_slow_receiver_is_measured_and_noted(fault: LaneFault, note: str) -> None:
    done = _port(fault)
    clean(done)
    assert [_measured(lane) for lane in _lanes(done)] == [_ALL] * 4
    assert any(note in text for text in _lanes(done)[1].notes)
    assert _lanes(done)[0].notes == ()


def test_an_answer_within_ten_ms_is_no_note() -> None:
    done = _port(LaneFault(answer_s=0.009, set_up_s=0.09))
    clean(done)
    assert [lane.notes for lane in _lanes(done)] == [()] * 4


def test_a_range_that_is_not_told_gives_steps_alone() -> None:
    done = _port(LaneFault(), timing_offset=0, voltage_offset=0)
    clean(done)
    for lane in _lanes(done):
        assert _measured(lane) == _ALL
        assert all((side := lane.side(name)) is not None and side.ui is None and side.volts is None for name in _ALL)


def test_without_voltage_there_is_nothing_missing() -> None:
    done = _port(LaneFault(), voltage=False)
    clean(done)
    assert [_measured(lane) for lane in _lanes(done)] == [{"left": 4, "right": 4}] * 4
    assert done.link.result is Result.PASSED


def test_a_sampler_that_is_not_independent_needs_a_word() -> None:
    hardware = {1: _small(independent_sampler=False), 6: _small()}
    without = margin(model(hardware), seconds=0.05)
    clean(without)
    port, component = without.link.receivers
    assert all("live-data" in (lane.unmeasured or "") and not _measured(lane) for lane in port.lanes)
    assert [_measured(lane) for lane in component.lanes] == [_ALL] * 4
    assert without.link.result is Result.INCONCLUSIVE
    given = margin(model(hardware), seconds=0.05, live_data=True)
    clean(given)
    assert [_measured(lane) for lane in given.link.receivers[0].lanes] == [_ALL] * 4


@pytest.mark.parametrize(
    ("ready", "why"),
    [
        (MarginingPort(ready=False, uses_driver_software=True), "load the driver"),
        (MarginingPort(ready=False, uses_driver_software=True, software_ready=True), "load the driver"),
        (MarginingPort(ready=True, uses_driver_software=True), "load the driver"),
        (MarginingPort(ready=False), "does not say that it is ready"),
    ],
)
def test_an_end_that_is_not_ready_is_skipped(ready: MarginingPort, why: str) -> None:
    done = margin(model({1: _small(), 6: _small()}, component_ready=ready), seconds=0.05)
    clean(done)
    port, component = done.link.receivers
    assert [_measured(lane) for lane in port.lanes] == [_ALL] * 4
    assert component.lanes == ()
    assert why in (component.unmeasured or "")
    assert done.link.result is Result.INCONCLUSIVE


def test_an_end_that_uses_driver_software_and_is_ready_is_measured() -> None:
    ready = MarginingPort(uses_driver_software=True, software_ready=True)
    done = margin(model({6: _small()}, component_ready=ready), ends=frozenset({"component"}), seconds=0.05)
    clean(done)
    assert [_measured(lane) for lane in _lanes(done)] == [_ALL] * 4


@pytest.mark.parametrize(("at_once", "faster"), [(0, 1), (1, 2), (2, 2), (3, 4), (31, 4)])
def test_no_more_lanes_at_once_than_the_receiver_allows(at_once: int, faster: int) -> None:
    done = margin(model({1: _small(max_lanes=at_once)}), ends=frozenset({"port"}), seconds=0.05)
    clean(done)
    assert len(_lanes(done)) == 4
    alone = margin(model({1: _small(max_lanes=0)}), ends=frozenset({"port"}), seconds=0.05)
    ratio = alone.model.clock.now() / done.model.clock.now()
    assert faster * 0.8 < ratio < faster * 1.2


def test_retimers_are_found_by_what_the_port_detected() -> None:
    described = _small()
    one = margin(model({1: described, 2: described, 3: described, 6: described}), seconds=0.02)
    clean(one)
    assert [receiver.number for receiver in one.link.receivers] == [1, 2, 3, 6]
    two = margin(model(dict.fromkeys(range(1, 7), described)), seconds=0.02, ends=frozenset({"retimer"}))
    clean(two)
    assert [receiver.number for receiver in two.link.receivers] == [2, 3, 4, 5]


@pytest.mark.parametrize(
    ("event", "why"),
    [
        (LinkEvent(after_steps=30, width=2), "from 16 GT/s x4 to 16 GT/s x2"),
        (LinkEvent(after_steps=30, speed_gts=8.0), "from 16 GT/s x4 to 8 GT/s x4"),
        (LinkEvent(after_steps=30, vanishes=True), "went down"),
        (LinkEvent(after_steps=30, goes_down=True), "went down"),
        (LinkEvent(after_steps=30, retrains=True), "trained anew"),
        (LinkEvent(after_steps=30, errors={"nonfatal UnsupReq": 1}), "errors were reported"),
        (LinkEvent(after_steps=30, errors={"correctable RxErr": 2}), "correctable errors were reported"),
    ],
)
def test_a_link_that_is_no_longer_what_it_was_ends_the_run(event: LinkEvent, why: str) -> None:
    done = margin(model({1: _small(), 6: _small()}, events=(event,)), seconds=0.05)
    assert why in (done.link.stopped or "")
    assert done.model.mistakes == []
    port, component = done.link.receivers
    assert all(set(_measured(lane).items()) <= set(_ALL.items()) for lane in port.lanes)
    assert any(lane.unmeasured is not None for lane in port.lanes)
    assert component.lanes == ()
    assert component.unmeasured == done.link.stopped
    if event.vanishes:
        assert exit_status(done.document) is ExitStatus.URGENT
        assert done.leftovers
    else:
        assert done.model.left_behind() == []
        assert done.document.restored is (event.speed_gts is None)  # at 8 GT/s nobody hears Go to Normal Settings
        assert done.link.result in {Result.INCONCLUSIVE, Result.FAILED}


def test_correctable_errors_of_live_data_are_told_and_do_not_end_the_run() -> None:
    described = _small(independent_sampler=False)
    event = LinkEvent(after_steps=3, errors={"correctable RxErr": 2})
    done = margin(model({1: described}, events=(event,)), ends=frozenset({"port"}), seconds=0.05, live_data=True)
    clean(done)
    assert [_measured(lane) for lane in _lanes(done)] == [_ALL] * 4
    assert any("at least 2" in note for note in done.link.notes)


@pytest.mark.parametrize("kernel", [True, False])
@pytest.mark.parametrize("bits", [0, 1, 2, 3])
def test_aspm_is_off_while_margining_and_comes_back(kernel: bool, bits: int) -> None:
    done = margin(model({1: _small()}, aspm=bits, kernel_aspm=kernel), ends=frozenset({"port"}), seconds=0.02)
    clean(done)
    assert [_measured(lane) for lane in _lanes(done)] == [_ALL] * 4


@pytest.mark.parametrize(
    ("best", "trained", "why"),
    [
        ("16 GT/s x4", "8 GT/s x4", "runs at 8 GT/s x4"),
        ("64 GT/s x4", None, "runs at 64 GT/s x4"),
    ],
)
def test_other_speeds_are_refused_before_anything_is_written(best: str, trained: str | None, why: str) -> None:
    done = margin(model(best=best, trained=trained))
    clean(done)
    assert why in (done.link.stopped or "")
    assert done.link.receivers == ()
    assert exit_status(done.document) is ExitStatus.NOTHING_JUDGED


def test_no_capability_at_either_end_is_told_before_anything_is_written() -> None:
    hardware = model()
    for address in (PORT, COMPONENT):
        space = hardware.spaces[address]
        base = space.at((True, 0x0027)) or 0
        space.data[base : base + 2] = b"\x02\x00"  # Virtual Channel in its place
    done = margin(hardware)
    assert done.link.stopped == "neither end has the Lane Margining capability"


def test_a_component_that_sleeps_is_woken() -> None:
    asleep = {
        "power_state": "D3hot", "attributes": {"power/control": "auto", "power/runtime_status": "suspended"},
    }  # fmt: skip
    hardware = model({1: _small()}, component=asleep)
    awake = hardware.spaces[COMPONENT]
    done = margin(hardware, ends=frozenset({"port"}), seconds=0.02)
    assert PowerManagementControlStatus.power_state.raw(awake.get((awake.at((False, 1)) or 0) + 4, 4)) == 0
    assert [_measured(lane) for lane in _lanes(done)] == [_ALL] * 4
    assert done.model.mistakes == []


def test_chosen_lanes_alone_are_touched() -> None:
    done = margin(model({1: _small()}), ends=frozenset({"port"}), seconds=0.02, lanes=frozenset({1, 2, 9}))
    clean(done)
    assert [lane.lane for lane in _lanes(done)] == [1, 2]
    assert done.link.result is Result.INCONCLUSIVE  # two lanes cannot say which of them is odd


def test_limits_that_a_person_gives() -> None:
    hardware = {1: Receiver(eye=Wall(left=4, right=8, up=20, down=20))}  # 0.1 and 0.2 UI, 37.5 mV
    failed = margin(model(hardware), ends=frozenset({"port"}), seconds=0.02, limits=Limits(at_least_ui=0.15))
    assert failed.link.result is Result.FAILED
    assert any("left: 0.100 UI, below the limit of 0.150 UI" in reason for reason in failed.link.reasons)
    passed = margin(
        model(hardware), ends=frozenset({"port"}), seconds=0.02, limits=Limits(at_least_ui=0.1, at_least_volts=0.0375)
    )
    assert passed.link.result is Result.PASSED
    untold = margin(
        model({1: Receiver(voltage_offset=0)}), ends=frozenset({"port"}), seconds=0.02,
        limits=Limits(at_least_volts=0.01),
    )  # fmt: skip
    assert untold.link.result is Result.INCONCLUSIVE


def test_a_limit_past_the_range_cannot_be_judged() -> None:
    done = margin(
        model({1: Receiver(eye=Wall(left=16, right=16))}), ends=frozenset({"port"}), seconds=0.02,
        limits=Limits(at_least_ui=0.45),
    )  # fmt: skip
    assert done.link.result is Result.INCONCLUSIVE
    assert any("its range ends at 0.400 UI" in reason for reason in done.link.reasons)


@pytest.mark.parametrize("after", range(1, 7))
def test_no_step_is_begun_on_a_lane_that_the_link_has_just_lost(after: int) -> None:
    """Four lanes at once: the step of one makes the link narrower before the next one's begins."""
    events = (LinkEvent(after_steps=after, width=1),)
    done = margin(model({1: _small(max_lanes=3)}, events=events), ends=frozenset({"port"}), seconds=0.05)
    assert done.model.mistakes == []
    assert done.model.left_behind() == []
    assert (done.link.back, done.link.result) == (False, Result.FAILED)
