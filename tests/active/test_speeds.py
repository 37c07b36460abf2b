"""A link taken through its speeds, in memory: what is told of each, and that it is back where it was."""

import pytest
from msgspec.structs import replace

from fake_sysfs import Machine, card, machine, root_port
from probe.active.asking import keep
from probe.active.documents import LinkSpeeds
from probe.active.judging import speeds_result
from probe.active.link_at import LinkAt
from probe.active.putting_back import all_back
from probe.active.speed_run import Gone, SpeedCourse, through_speeds
from probe.active.speed_steps import common_speeds, speeds_of, step_to
from probe.active.training import Problem, train
from probe.active.trainings import Watching
from probe.active.under_load import Carried, dwell
from probe.active.ways import ByRetrain, ByTarget, ByThermal, SpeedMeans, speed_means
from probe.evidence import CoolingDevice
from probe.exceptions import InputError
from probe.links.state import LinkState
from probe.registers.errors import CorrectableErrorStatus
from probe.registers.link import LinkCapabilities2, LinkControl2, LinkStatus
from probe.result import Result
from tests.active.model import COMPONENT, PORT, Comes, Faults, Kept, Killed, Model, began, driver, link

BESIDE = Watching(tuple, lambda: None, lambda _: None)
COOLING = "class/thermal/cooling_device3/cur_state"
SPEEDS = (2.5, 5.0, 8.0, 16.0)


def go(model: Model, kept: Kept | None = None, means: SpeedMeans | None = None, carried: Carried | None = None) -> Gone:
    found = LinkAt.of(model.target)
    course = SpeedCourse(
        link=found, means=means or ByTarget(), speeds=common_speeds(model.target.port, model.target.component),
        others=(32.0,), before=LinkState(16.0, 8), seconds=1.0,
    )  # fmt: skip
    runner = driver(model, kept)
    return through_speeds(course, runner, BESIDE, lambda: (runner.run(dwell(found, 1.0)), carried or Carried()))


def judged(gone: Gone, *, loaded: bool = False) -> LinkSpeeds:
    empty = LinkSpeeds(
        downstream_port=PORT, upstream_port=COMPONENT, title="", means="", before=LinkState(16.0, 8), loaded=loaded,
        speeds=gone.steps, stopped=gone.stopped, back=gone.back,
    )  # fmt: skip
    return speeds_result(empty)


def test_every_speed_is_trained_to_ascending_and_clean() -> None:
    model = Model(link())
    gone = go(model)
    told = [(step.speed_gts, step.supported, step.trained, step.carries, step.clean) for step in gone.steps]
    assert told == [(speed, True, True, None, True) for speed in SPEEDS] + [(32.0, False, None, None, None)]
    assert judged(gone).result is Result.PASSED
    assert not model.wrongs


def test_it_is_put_back_and_the_link_rises_again() -> None:
    model = Model(link())
    before, state = model.controls(), model.state()
    kept = Kept()
    go(model, kept)
    driver(model, kept).run(step_to(LinkAt.of(model.target), 2.5, ByTarget()))
    assert model.state() != state
    left = driver(model, kept).run(all_back(began(model), kept))
    assert left == ()
    assert model.controls() == before
    assert model.state() == state


def test_a_rise_may_take_three_retrains() -> None:
    model = Model(link(), [Comes(), Comes(), Comes(), Comes(speed_gts=8.0), Comes(speed_gts=8.0), Comes()])
    gone = go(model)
    (top,) = (step for step in gone.steps if step.speed_gts == 16.0)
    assert len(top.attempts) == 3
    assert top.trained is True


def test_a_speed_that_does_not_come_fails() -> None:
    model = Model(link(), [Comes()] * 3 + [Comes(speed_gts=8.0)] * 3)
    result = judged(go(model))
    (top,) = (step for step in result.speeds if step.speed_gts == 16.0)
    assert top.trained is False
    assert result.result is Result.FAILED
    assert any("16 GT/s: did not train to it, and ran at 8 GT/s x8" in reason for reason in result.reasons)


def test_a_speed_at_which_the_link_is_lost_has_no_state_to_tell() -> None:
    result = judged(go(Model(link(), [Comes(), Comes(up=False)])))
    assert "5 GT/s: did not train to it, and what it ran at could not be read" in result.reasons


def test_a_rise_that_never_comes_back_is_a_leftover_with_the_state() -> None:
    model = Model(link(), [Comes(speed_gts=2.5)] * 100)
    kept = Kept()
    go(model, kept)
    left = driver(model, kept).run(all_back(began(model), kept))
    (item,) = left
    assert (item.what, item.value, item.found) == (f"link below {PORT}", "16 GT/s x8", "2.5 GT/s x8")
    assert "was 16 GT/s x8" in item.sentence()


def test_a_training_that_was_cut_off_ends_before_its_speed_is_put_back() -> None:
    model, kept = Model(link()), Kept()
    for kill_at in range(10, 400):
        model, kept = Model(link(), [Comes(ms=30.0)] * 20, kill_at=kill_at), Kept()
        with pytest.raises(Killed):
            go(model, kept)
        if model.get(PORT, LinkStatus.link_training):
            break
    assert model.get(PORT, LinkStatus.link_training)
    model.kill_at = None
    before = len(model.writes)
    training: list[int] = []
    write = model.write

    def seen(address: str, offset: int, size: int, value: int, mask: int) -> None:
        training.append(model.get(PORT, LinkStatus.link_training))
        write(address, offset, size, value, mask)

    model.write = seen  # type: ignore[method-assign] # what stands when it is written
    assert driver(model, kept).run(all_back(began(model), kept)) == ()
    assert len(model.writes) > before
    assert not any(training)


def test_a_link_that_was_held_at_a_speed_goes_back_to_it() -> None:
    """Target Link Speed is put back, and the link retrained, as the first state was."""
    model = Model(link(target_gts=8.0, trained="8 GT/s x8"))
    before, state = model.controls(), model.state()
    kept = Kept()
    go(model, kept)
    assert model.state() == (16.0, 8)
    assert driver(model, kept).run(all_back(began(model), kept)) == ()
    assert (model.controls(), model.state()) == (before, state)


def test_a_link_that_ran_faster_than_its_target_speed_rises_again() -> None:
    """A training lowers it to the target: so the target is raised for the rise alone."""
    model = Model(link())
    model.put(PORT, LinkControl2.target_link_speed, 3)
    before, state, head = model.controls(), model.state(), began(model)
    kept = Kept()
    runner = driver(model, kept)
    runner.run(train(LinkAt.of(model.target), ByRetrain()))
    runner.run(keep(PORT, LinkAt.of(model.target).port.express + 0x30, 1, 0x0F))
    assert model.state() == (8.0, 8)
    assert runner.run(all_back(head, kept)) == ()
    assert (model.controls(), model.state()) == (before, state)


def test_a_port_that_holds_its_target_speed_is_told_and_nothing_is_concluded() -> None:
    model = Model(link(), faults=Faults(target_read_only=True))
    result = judged(go(model))
    assert result.speeds[0].trained is None
    assert "does not take that Target Link Speed" in (result.speeds[0].problem or "")
    assert result.result is Result.INCONCLUSIVE
    assert model.trained == 0


def test_a_port_that_ignores_retrains_is_inconclusive() -> None:
    model = Model(link(), faults=Faults(ignores_retrain=True))
    result = judged(go(model))
    assert result.result is Result.INCONCLUSIVE
    assert "no training was observed: the port may ignore what was asked of it" in result.reasons
    assert [step.trained for step in result.speeds] == [None, None, None, True, None]


def test_errors_while_it_is_held_are_not_clean() -> None:
    model = Model(link())
    runner = driver(model)
    found = LinkAt.of(model.target)

    def hold() -> tuple[tuple[LinkState, ...], Carried]:
        model.files[f"bus/pci/devices/{COMPONENT}/aer_dev_correctable"] = f"BadTLP {model.trained}"
        return runner.run(dwell(found, 1.0)), Carried()

    course = SpeedCourse(link=found, means=ByTarget(), speeds=(2.5,), others=(), before=LinkState(16.0, 8), seconds=1.0)
    result = judged(through_speeds(course, runner, BESIDE, hold))
    assert result.speeds[0].clean is False
    assert result.result is Result.FAILED
    assert "2.5 GT/s: 1 correctable: Bad TLP, counted at the component" in result.reasons


STOOD = {CorrectableErrorStatus.receiver_error: True}


def test_clean_is_not_said_without_counters_where_an_error_bit_stood_already() -> None:
    model = Model(link(registers=STOOD))
    model.files = {path: text for path, text in model.files.items() if "aer_dev" not in path}
    result = judged(go(model))
    assert {step.clean for step in result.speeds} == {None}
    assert result.result is Result.INCONCLUSIVE


def test_without_counters_the_bits_of_the_registers_say_what_is_clean() -> None:
    model = Model(link())
    model.files = {path: text for path, text in model.files.items() if "aer_dev" not in path}
    assert [step.clean for step in judged(go(model)).speeds if step.supported] == [True] * 4


def test_somebody_else_at_the_register_ends_it() -> None:
    model = Model(link())
    runner = driver(model)
    found = LinkAt.of(model.target)

    def hold() -> tuple[tuple[LinkState, ...], Carried]:
        model.put(PORT, LinkControl2.target_link_speed, 3)
        return runner.run(dwell(found, 1.0)), Carried()

    course = SpeedCourse(link=found, means=ByTarget(), speeds=SPEEDS, others=(), before=LinkState(16.0, 8), seconds=1.0)
    gone = through_speeds(course, runner, BESIDE, hold)
    assert gone.stopped == "somebody else changed the Target Link Speed to 8 GT/s"
    assert [step.trained for step in gone.steps] == [True, None, None, None]


@pytest.mark.parametrize(
    ("carried", "carries"),
    [(Carried(1e9), True), (Carried(0.0), False), (Carried(1e9, "data came back changed 2 times"), False)],
)
def test_what_a_load_says(carried: Carried, carries: bool) -> None:
    result = judged(go(Model(link()), carried=carried), loaded=True)
    assert {step.carries for step in result.speeds if step.supported} == {carries}
    assert result.result is (Result.PASSED if carries else Result.FAILED)


def test_through_the_kernels_cooling_device() -> None:
    model = Model(link())
    model.files[COOLING] = "0"
    before, state = model.controls(), model.state()
    kept = Kept()
    cooling = CoolingDevice(type="", cur_state="0", max_state="3", name="cooling_device3")
    model.target = replace(model.target, cooling=cooling)
    runner = driver(model, kept)
    found = LinkAt.of(model.target)
    for speed in SPEEDS:
        seen = runner.run(step_to(found, speed, ByThermal(COOLING, 4)))
        assert seen[-1].state.speed_gts == speed
    assert not any(offset == found.port.express + LinkControl2.offset for _, offset, _, _ in model.writes)
    runner.run(step_to(found, 2.5, ByThermal(COOLING, 4)))
    assert runner.run(all_back(began(model), kept)) == ()
    assert model.controls() == before
    assert model.state() == state


def test_a_cooling_device_that_refuses_is_told() -> None:
    model = Model(link())
    model.target = replace(
        model.target, cooling=CoolingDevice(type="", cur_state="0", max_state="3", name="cooling_device3")
    )
    (seen,) = driver(model).run(step_to(LinkAt.of(model.target), 8.0, ByThermal(COOLING, 4)))
    assert seen.problem is Problem.REFUSED


def test_the_cooling_device_is_taken_where_there_is_one() -> None:
    """drivers/thermal/pcie_cooling.c: state 0 is the best speed; a port of four speeds has states 0 to 3."""
    described = machine(root_port(PORT, "16 GT/s x8").holds(card("16 GT/s x8")), cooling=((PORT, 0, 3),))
    (cooling,) = Model(described).evidence.cooling
    assert speed_means(Model(described).target) == ByThermal(f"class/thermal/{cooling.name}/cur_state", 4)
    assert speed_means(Model(link()).target) == ByTarget()


def test_a_port_of_version_1_has_no_target_speed() -> None:
    described = machine(root_port(PORT, "2.5 GT/s x1", version=1).holds(card("2.5 GT/s x1", version=1)))
    with pytest.raises(InputError, match="has no Target Link Speed"):
        speed_means(Model(described).target)


def test_the_speeds_of_an_end() -> None:
    def end(**changes: object) -> tuple[float, ...]:
        described: Machine = machine(root_port(PORT, "16 GT/s x8", **changes).holds(card("16 GT/s x8")))
        return speeds_of(Model(described).target.port)

    assert end() == SPEEDS
    assert end(supported=(2.5, 5.0, 16.0)) == (2.5, 5.0, 16.0)
    assert end(registers={LinkCapabilities2.supported_link_speeds_vector: ()}) == SPEEDS
