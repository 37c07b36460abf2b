"""Trainings on a port and component in memory: what is seen, counted, stopped at, and said."""

import errno
import io
from collections.abc import Sequence

import pytest
from msgspec.structs import replace
from rich.console import Console

from probe.active.documents import Kind, LinkTraining
from probe.active.judging import training_result
from probe.active.link_at import LinkAt
from probe.active.speed_steps import bring_back, states_now
from probe.active.training import Problem, train
from probe.active.trainings import Course, Trained, Watching, trainings
from probe.active.ways import ByFunction, ByPort, ByRetrain, BySlot, Means
from probe.errors.log_events import log_events
from probe.evidence import LogLine
from probe.links.state import LinkState
from probe.registers.errors import CorrectableErrorStatus
from probe.registers.link import LinkControl2, LinkStatus
from probe.render.terminal.active import result
from probe.result import Result
from tests.active.model import COMPONENT, PORT, Comes, Faults, Model, began, driver, link

FULL = LinkState(16.0, 8)
RESET = f"bus/pci/devices/{PORT}/reset_subordinate"


def course(model: Model, times: int, means: Means | None = None) -> Course:
    return Course(
        link=LinkAt.of(model.target), means=means or ByRetrain(), times=times, before=FULL, expected=FULL,
        equalized=frozenset({("port", 8.0)}),
    )  # fmt: skip


def run(model: Model, times: int, means: Means | None = None, log: Sequence[str] = ()) -> Trained:
    lines = iter([(), *[log_events([LogLine(line)]) for line in log]])
    beside = Watching(log=lambda: next(lines, ()), objection=lambda: None, tell=lambda _: None)
    return trainings(course(model, times, means), driver(model), beside)


def judged(trained: Trained, asked: int = 20) -> LinkTraining:
    empty = LinkTraining(
        downstream_port=PORT, upstream_port=COMPONENT, title="", way="retrain", means="", before=FULL, expected=FULL,
        asked=asked,
    )  # fmt: skip
    return training_result(empty, trained)


def test_each_training_is_seen_and_timed() -> None:
    model = Model(link(), [Comes(ms=6.0), Comes(ms=8.0)])
    trained = run(model, 2)
    assert [attempt.kind for attempt in trained.attempts] == [Kind.GOOD, Kind.GOOD]
    for attempt, ms in zip(trained.attempts, (6.0, 8.0), strict=True):
        assert attempt.ms == pytest.approx(ms, abs=0.5)
        assert (attempt.speed_gts, attempt.width, attempt.came_up) == (16.0, 8, True)
        assert "Link Training was seen set" in attempt.observed_by
    assert trained.stopped is None
    assert not model.wrongs


def test_a_training_over_at_the_first_look_has_no_time_but_a_bound() -> None:
    (attempt,) = run(Model(link(), [Comes(ms=0.0)]), 1).attempts
    assert attempt.observed_training
    assert attempt.ms is None
    assert attempt.below_ms is not None
    assert 0.0 < attempt.below_ms < 1.0


def test_a_port_that_ignores_the_bit_has_not_trained() -> None:
    model = Model(link(), faults=Faults(ignores_retrain=True))
    trained = run(model, 5)
    assert {attempt.kind for attempt in trained.attempts} == {Kind.NOT_OBSERVED}
    assert not any(attempt.observed_training for attempt in trained.attempts)
    result = judged(trained)
    assert (result.of, result.short, result.interval, result.result) == (0, 0, None, Result.INCONCLUSIVE)
    assert "no training was observed in 5" in result.reasons[0]
    assert "the component answered after 5" in result.reasons[1]


def test_a_training_that_only_the_kernel_saw_was_observed() -> None:
    """Over before the first look, and the status bit cleared by the kernel's interrupt (6.13 on): a trace event tells."""
    model = Model(link(), [Comes(ms=0.0)], Faults(keeps_bandwidth_status_clear=True, traces=True))
    (attempt,) = run(model, 1).attempts
    assert (attempt.kind, attempt.observed_by) == (Kind.GOOD, ("the kernel traced an event of the link",))
    assert (attempt.ms, attempt.below_ms) == (None, None)
    blind = Model(link(), [Comes(ms=0.0)], Faults(keeps_bandwidth_status_clear=True))
    assert not run(blind, 1).attempts[0].observed_training
    ignores = Model(link(), faults=Faults(ignores_retrain=True, traces=True))
    assert not run(ignores, 1).attempts[0].observed_training


def test_a_bit_set_long_before_is_no_sign() -> None:
    """Kernels without a bandwidth service leave Link Bandwidth Management Status set after any training."""
    model = Model(link(), faults=Faults(ignores_retrain=True))
    model.put(PORT, LinkStatus.link_bandwidth_management_status, 1)
    (attempt,) = run(model, 1).attempts
    assert not attempt.observed_training


@pytest.mark.parametrize(
    ("comes", "kind"),
    [
        (Comes(width=4), Kind.NARROWER),
        (Comes(speed_gts=8.0), Kind.SLOWER),
        (Comes(speed_gts=2.5, width=1), Kind.SLOWER_AND_NARROWER),
        (Comes(speed_gts=8.0, equalized=False), Kind.SLOWER),
        (Comes(), Kind.GOOD),
    ],
)
def test_what_came_of_it(comes: Comes, kind: Kind) -> None:
    (attempt,) = run(Model(link(), [comes]), 1).attempts
    assert attempt.kind is kind


def test_equalization_that_was_complete_and_is_not() -> None:
    model = Model(link("8 GT/s x8"), [Comes(equalized=False)])
    eight = course(model, 1)
    eight = Course(
        link=eight.link, means=eight.means, times=1, before=LinkState(8.0, 8), expected=LinkState(8.0, 8),
        equalized=frozenset({("port", 8.0)}),
    )  # fmt: skip
    trained = trainings(eight, driver(model), Watching(tuple, lambda: None, lambda _: None))
    assert trained.attempts[0].kind is Kind.EQUALIZATION


def test_short_ones_are_counted_with_their_interval_by_kind() -> None:
    outcomes = [Comes(width=4, lanes=0x30)] + [Comes()] * 8 + [Comes(width=4), Comes(speed_gts=8.0)] + [Comes()] * 9
    result = judged(run(Model(link(), outcomes), 20))
    assert (result.short, result.of) == (3, 20)
    assert result.kinds == {"narrower": 2, "slower": 1, "good": 17}
    # By scipy 1.11, the exact interval of binomtest for 3 of 20.
    assert result.interval == pytest.approx((0.0320709, 0.3789268), abs=1e-6)
    assert result.result is Result.FAILED
    told = " | ".join(result.reasons)
    assert "short in 3 of 20" in told
    assert "the same width each time: a fault in lanes 4 to 7 would leave it" in told
    assert "lane 4 was newly in error at the port in 1 of them" in told


def test_none_short_says_what_the_number_can_show() -> None:
    result = judged(run(Model(link()), 20))
    assert result.result is Result.PASSED
    assert result.reasons[0] == "none short in 20 trainings: fewer than 13.91% of all are (95 %)"


def test_it_stops_at_the_first_that_does_not_come_back() -> None:
    model = Model(link(), [Comes(), Comes(up=False), Comes(up=False), Comes()])
    trained = run(model, 20)
    assert [attempt.kind for attempt in trained.attempts] == [Kind.GOOD, Kind.NOT_UP]
    assert trained.attempts[-1].came_up is False
    assert trained.back is False
    assert trained.stopped is not None
    assert model.trained == 3  # one retrain more was tried, as on any that does not come back
    assert judged(trained).result is Result.FAILED


def test_one_retrain_more_may_bring_it_back() -> None:
    trained = run(Model(link(), [Comes(up=False), Comes()]), 20)
    assert trained.back is True
    assert len(trained.attempts) == 1


def test_a_component_that_vanishes_ends_it() -> None:
    trained = run(Model(link(), faults=Faults(gone_after=2)), 20)
    assert [attempt.kind for attempt in trained.attempts] == [Kind.GOOD, Kind.NOT_UP]
    assert trained.attempts[-1].problem == Problem.GONE
    assert trained.back is False


def test_a_link_that_never_finishes_ends_it_after_its_second() -> None:
    model = Model(link(), faults=Faults(never_finishes=True))
    trained = run(model, 20)
    assert [attempt.problem for attempt in trained.attempts] == [Problem.STUCK]
    assert 1.0 <= model.time < 8.0


@pytest.mark.parametrize(
    ("faults", "comes", "how"),
    [
        (Faults(never_finishes=True), Comes(), "training without an end"),
        (Faults(), Comes(up=False), f"down ({COMPONENT} does not answer)"),
    ],
)
def test_what_a_port_says_of_a_link_that_did_not_come_back_is_no_state(faults: Faults, comes: Comes, how: str) -> None:
    """Speed and width of an empty port mean nothing, nor do those of a link that is still training."""
    model = Model(link(), [comes] * 20, faults=faults)
    head = began(model)
    run(model, 3)
    assert driver(model).run(states_now(head.scope, head.links)) == {PORT: LinkState()}
    (left,) = driver(model).run(bring_back(head))
    assert (left.value, left.found) == ("16 GT/s x8", how)
    assert f"is {how} and was 16 GT/s x8" in left.sentence()


@pytest.mark.parametrize(
    ("ended", "said"),
    [(FULL, "was 16 GT/s x8, is 16 GT/s x8"), (LinkState(), "was 16 GT/s x8, what it runs at now could not be read")],
)
def test_the_screen_says_what_it_runs_at_as_far_as_it_is_known(ended: LinkState, said: str) -> None:
    screen = Console(file=io.StringIO(), width=120)
    result(replace(judged(run(Model(link()), 1)), ended=ended), screen)
    assert isinstance(screen.file, io.StringIO)
    assert said in screen.file.getvalue()


@pytest.mark.parametrize(
    ("widths", "said"),
    [
        ((4,), "x4: a fault in lanes 4 to 7 would leave it"),
        ((4, 4), "the same width each time: a fault in lanes 4 to 7 would leave it"),
        ((1, 1), "the same width each time: a fault in lane 1 would leave it"),
    ],
)
def test_which_lanes_a_lesser_width_points_to(widths: tuple[int, ...], said: str) -> None:
    reasons = judged(run(Model(link(), [Comes(width=width) for width in widths]), 10)).reasons
    assert said in reasons


def test_three_times_below_what_it_was_ends_it() -> None:
    trained = run(Model(link(), [Comes()] * 2 + [Comes(width=4)] * 18), 20)
    assert len(trained.attempts) == 5
    assert trained.stopped == "it came up below what it was before (16 GT/s x8) 3 times running"


def test_a_slow_process_does_not_take_a_good_link_for_a_dead_one() -> None:
    """Each look takes 1.5 s, longer than all waits: the last look is taken after the deadline."""
    model = Model(link(), [Comes(ms=10.0)], Faults(slow_s=1.5))
    (attempt,) = run(model, 1).attempts
    assert attempt.kind is Kind.GOOD


@pytest.mark.parametrize("number", [errno.EPERM, errno.EACCES])
def test_a_write_that_is_refused_is_told_and_ends_it(number: int) -> None:
    trained = run(Model(link(), faults=Faults(refuses_writes=number)), 20)
    assert [attempt.kind for attempt in trained.attempts] == [Kind.NOT_DONE]
    assert "cannot be written" in (trained.stopped or "")
    assert judged(trained).result is Result.INCONCLUSIVE


def test_a_training_by_the_kernels_work_around_counts_apart() -> None:
    line = f"pci {PORT}: broken device, retraining non-functional downstream link at 2.5GT/s"
    result = judged(run(Model(link()), 2, log=[line, ""]), asked=2)
    assert [attempt.by_kernel_workaround for attempt in result.attempts] == [True, False]
    assert result.kinds == {"by the kernel's work-around": 1, "good": 1}
    assert result.short == 1


def test_a_target_speed_that_the_kernel_lowered_ends_it() -> None:
    """The work-around may leave the port at 2.5 GT/s: what follows would say nothing of the link."""
    model = Model(link(), [Comes()] * 5)
    beside = Watching(tuple, lambda: None, lambda _: model.put(PORT, LinkControl2.target_link_speed, 1))
    held = replace(course(model, 5), held_at_gts=16.0)
    trained = trainings(held, driver(model), beside)
    assert [attempt.target_speed_gts for attempt in trained.attempts] == [16.0, 2.5]
    assert "Target Link Speed went from 16 to 2.5 GT/s" in (trained.stopped or "")


def test_a_removal_by_hot_plug_ends_it() -> None:
    line = f"pcieport {PORT}: pciehp: Slot(1): Link Down"
    trained = run(Model(link()), 20, log=[line])
    assert [attempt.kind for attempt in trained.attempts] == [Kind.REMOVED]


def test_link_changes_that_hot_plug_ignores_are_no_removal() -> None:
    """The line of Linux 7.3 pciehp after a reset that was asked for."""
    trained = run(Model(link()), 2, log=[f"pcieport {PORT}: pciehp: Slot(1): Link Down/Up ignored", ""])
    assert {attempt.kind for attempt in trained.attempts} == {Kind.GOOD}


def test_errors_between_trainings_are_told_and_do_not_end_it() -> None:
    result = judged(run(Model(link(), [Comes(), Comes(errors=("RxErr",))]), 3), asked=3)
    assert len(result.attempts) == 3
    assert [(item.error, item.count) for item in result.attempts[1].errors or ()] == [("Receiver Error", 2)]
    assert result.attempts[0].errors == ()
    assert any(reason.startswith("2 correctable: Receiver Error") for reason in result.reasons)


def test_without_counters_errors_that_a_standing_bit_may_hide_are_not_zero() -> None:
    model = Model(link(registers={CorrectableErrorStatus.receiver_error: True}))
    model.files = {path: text for path, text in model.files.items() if "aer_dev" not in path}
    result = judged(run(model, 2), asked=2)
    assert {attempt.errors for attempt in result.attempts} == {None}
    assert any("could not be counted" in reason for reason in result.reasons)


def test_bus_reset_by_the_port() -> None:
    model = Model(link(), [Comes(ms=30.0)] * 3)
    model.files[RESET] = ""
    trained = run(model, 3, ByPort(RESET))
    assert {attempt.kind for attempt in trained.attempts} == {Kind.GOOD}
    assert {"Data Link Layer Link Active was seen clear"} <= set(trained.attempts[0].observed_by)
    assert trained.attempts[0].ms == pytest.approx(50.0, abs=2.0)  # 20 ms until it begins, 30 ms of training
    assert not model.writes


def test_a_reset_that_shows_nothing_is_not_observed() -> None:
    model = Model(link(), faults=Faults(ignores_retrain=True))
    model.files[RESET] = ""
    trained = run(model, 2, ByPort(RESET))
    assert {attempt.kind for attempt in trained.attempts} == {Kind.NOT_OBSERVED}


def test_a_reset_that_the_kernel_fails_ends_it() -> None:
    model = Model(link(), faults=Faults(reset_fails=errno.ENOTTY))
    model.files[RESET] = ""
    trained = run(model, 3, ByPort(RESET))
    assert [attempt.kind for attempt in trained.attempts] == [Kind.NOT_DONE]


def test_reset_by_a_function() -> None:
    path = f"bus/pci/devices/{COMPONENT}/reset"
    model = Model(link(), [Comes(ms=5.0, width=4)])
    model.files[path] = ""
    (attempt,) = run(model, 1, ByFunction(path, "bus")).attempts
    assert attempt.kind is Kind.NARROWER


def test_slot_power() -> None:
    path = "bus/pci/slots/1/power"
    model = Model(link(), [Comes(ms=40.0), Comes(up=False)])
    model.files[path] = "1"
    trained = run(model, 5, BySlot(path))
    assert [attempt.kind for attempt in trained.attempts] == [Kind.GOOD, Kind.NOT_UP]
    assert model.time > 6.0  # each time the card discharged for its three seconds
    assert model.files[path] == "1"


@pytest.mark.parametrize(("kept", "why"), [("1", "the slot kept its power"), ("0", "did not get its power back")])
def test_what_the_slots_file_says_after_it_was_written_is_believed(kept: str, why: str) -> None:
    path = "bus/pci/slots/1/power"
    model = Model(link())
    model.files[path] = kept
    model.holds_files = frozenset({path})
    trained = run(model, 5, BySlot(path))
    assert [attempt.kind for attempt in trained.attempts] == [Kind.NOT_DONE]
    assert why in (trained.attempts[0].problem or "")


def test_an_objection_ends_it_before_anything_is_done() -> None:
    model = Model(link())
    beside = Watching(tuple, lambda: "disk nvme0n1: mounted on /data", lambda _: None)
    trained = trainings(course(model, 5), driver(model), beside)
    assert trained.attempts == ()
    assert trained.stopped == "disk nvme0n1: mounted on /data"
    assert not model.writes


def test_ports_that_need_the_bit_taken_back() -> None:
    """drivers/pci/quirks.c quirk_enable_clear_retrain_link: Pericom e110, e111, e130."""
    model = Model(link(vendor=0x12D8, device=0xE110))
    driver(model).run(train(LinkAt.of(model.target), ByRetrain()))
    assert [value & 0x20 for _, _, _, value in model.writes] == [0x20, 0]
