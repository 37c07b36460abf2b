"""Drawn eyes are found: walls exactly, slopes within what bits and limit say."""

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fake_sysfs.hardware import LaneFault, Receiver, Slope, Wall
from probe.errors.bit_error_ratio import interval
from tests.active.margin_bench import clean, margin, model
from tests.search import search

if TYPE_CHECKING:
    from probe.active.margining.document import LaneMargin

_SLOW = search(50)
_TIMING, _VOLTAGE = 12, 32


def _walls() -> st.SearchStrategy[Wall]:
    timing, voltage = st.integers(0, _TIMING), st.integers(0, _VOLTAGE)
    return st.builds(Wall, left=timing, right=timing, up=voltage, down=voltage)


@_SLOW
@given(st.lists(_walls(), min_size=2, max_size=2), st.booleans())
def test_a_wall_is_found_exactly(eyes: list[Wall], by_rate: bool) -> None:
    """For 50 drawn eyes of two lanes."""
    receiver = Receiver(timing_steps=_TIMING, voltage_steps=_VOLTAGE, eyes=dict(enumerate(eyes)), reports_rate=by_rate)
    done = margin(model({1: receiver}, best="16 GT/s x2"), ends=frozenset({"port"}), seconds=0.05)
    clean(done)
    for lane, eye in zip(done.link.receivers[0].lanes, eyes, strict=True):
        for way, steps, most in (
            ("left", eye.left, _TIMING), ("right", eye.right, _TIMING), ("up", eye.up, _VOLTAGE),
            ("down", eye.down, _VOLTAGE),
        ):  # fmt: skip
            side = lane.side(way)
            assert side is not None
            assert (side.steps, side.at_least, side.of_steps) == (steps, steps == most, most)


def test_ways_that_are_not_independent_stand_once() -> None:
    wall = Wall(left=5, right=9, up=20, down=11)
    receiver = Receiver(independent_sides=False, independent_levels=False, eye=wall)
    done = margin(model({6: receiver}), ends=frozenset({"component"}), seconds=0.05)
    clean(done)
    for lane in done.link.receivers[0].lanes:
        assert lane.both_sides is not None
        assert lane.both_levels is not None
        assert (lane.both_sides.steps, lane.both_levels.steps) == (5, 11)
        assert (lane.left, lane.right, lane.up, lane.down, lane.unmeasured) == (None, None, None, None, None)


@_SLOW
@given(st.floats(-18, -11), st.integers(0, 20), st.booleans(), st.sampled_from((16.0, 32.0)))
def test_a_slope_is_found_within_what_bits_and_limit_say(first: float, limit: int, by_rate: bool, gts: float) -> None:
    """A step far better than the limit in the bits tested passes, one far worse does not."""
    seconds, bits = 0.2, gts * 1e9 * 0.2
    eye = Slope(at_step_one=10.0**first)
    hardware = model({1: Receiver(eye=eye, reports_rate=by_rate, voltage=False)}, best=f"{gts:g} GT/s x1")
    done = margin(hardware, ends=frozenset({"port"}), seconds=seconds, error_limit=limit)
    clean(done)
    (lane,) = done.link.receivers[0].lanes
    for side in (lane.left, lane.right):
        assert side is not None
        # How many errors are all but sure to stay within the limit, and how many to pass it.
        fewest, most = interval(limit, 1 - 1e-9)
        sure = math.floor(math.log10(max(fewest, 1e-9) / bits) - first) + 1
        never = math.ceil(math.log10(most * 1.3 / bits) - first) + 1
        assert min(max(sure, 0), side.of_steps) <= side.steps <= min(max(never, 0), side.of_steps)
        assert side.at_least == (side.steps == side.of_steps)
        if side.last_good is not None:
            assert side.last_good.errors <= limit
            assert side.last_good.bits is not None
            assert side.last_good.bits <= bits * 1.001 * 1.01


def test_the_bound_of_a_step_holds_its_true_ratio() -> None:
    """At 95 %: of many lanes, most of the bounds told at the last good step lie above the ratio that was drawn."""
    eye = Slope(at_step_one=1e-12, factor=2.0)
    hardware = model({1: Receiver(eye=eye, voltage=False, timing_steps=30)}, best="16 GT/s x16")
    done = margin(hardware, ends=frozenset({"port"}), seconds=0.1, error_limit=10)
    clean(done)
    seen = [side.last_good for lane in done.link.receivers[0].lanes for side in (lane.left, lane.right) if side]
    held = [step.ratio_below is not None and step.ratio_below > eye.ratio("left", step.steps) for step in seen if step]
    assert len(held) == 32
    assert sum(held) >= 0.8 * len(held)  # the last good step is chosen, which costs some of the 95 %


@pytest.mark.parametrize("answer_s", [0.0005, 0.009, 0.1])
@pytest.mark.parametrize("seconds", [0.1, 0.2, 1.0])
def test_bits_by_count_are_never_more_than_were_tested(seconds: float, answer_s: float) -> None:
    """A receiver goes on counting until it is asked, and a slow one longer; by then its errors are not in the count."""
    slow = Receiver(voltage=False, timing_steps=6, reports_rate=False, fault=LaneFault(answer_s=answer_s))
    done = margin(model({1: slow}), ends=frozenset({"port"}), seconds=seconds)
    lane: LaneMargin = done.link.receivers[0].lanes[0]
    assert lane.left is not None
    assert lane.left.last_good is not None
    assert lane.left.last_good.bits is not None
    tested = 16e9 * lane.left.last_good.seconds
    assert tested / (1.27 if answer_s < seconds / 100 else 2.0) < lane.left.last_good.bits <= tested * 1.001


@pytest.mark.parametrize("by_rate", [True, False])
def test_a_step_that_was_over_at_the_first_look_has_no_count_of_bits(by_rate: bool) -> None:
    shut = Receiver(eye=Wall(left=2, right=2, up=2, down=2), reports_rate=by_rate)
    lane = margin(model({1: shut}), ends=frozenset({"port"})).link.receivers[0].lanes[0]
    assert lane.left is not None
    assert lane.left.first_bad is not None
    assert (lane.left.first_bad.seconds, lane.left.first_bad.bits) == (0.0, None)
