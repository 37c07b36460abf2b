"""Errors between two looks: by the kernel's counts, else by bits, and never none where a bit could hide one."""

import pytest

from fake_sysfs import card, machine, root_port
from probe.active.errors_at import Counts, Tally, grown, new_bits, tally_of
from probe.active.link_at import LinkAt
from probe.registers.device import DeviceStatus
from probe.registers.errors import CorrectableErrorStatus, UncorrectableErrorStatus
from probe.registers.table_language import Field
from tests.active.model import COMPONENT, PORT, Model, driver

RECEIVER_ERROR = ("component", "correctable", "Receiver Error")


def tally(*, counters: bool = False, aer: bool = True, bits: tuple[Field[bool], ...] = ()) -> Tally:
    """The errors of a link whose component has these bits set."""
    below = card("16 GT/s x8", has_aer=aer, registers=dict.fromkeys(bits, True))
    model = Model(machine(root_port(PORT, "16 GT/s x8", has_aer=aer).holds(below)))
    model.files = {f"bus/pci/devices/{COMPONENT}/aer_dev_correctable": "RxErr 2"} if counters else {}
    return driver(model).run(tally_of(LinkAt.of(model.target)))


def test_counts_are_the_kernels_where_it_keeps_them() -> None:
    assert tally(counters=True).counts == {RECEIVER_ERROR: 2}
    assert tally().counts is None


@pytest.mark.parametrize(
    ("before", "after", "growth"),
    [
        ({RECEIVER_ERROR: 2}, {RECEIVER_ERROR: 5}, {RECEIVER_ERROR: 3}),
        ({RECEIVER_ERROR: 2}, {RECEIVER_ERROR: 2}, {}),
        ({RECEIVER_ERROR: 7}, {RECEIVER_ERROR: 2}, {RECEIVER_ERROR: 2}),  # it began anew
    ],
)
def test_growth_of_counts(before: Counts, after: Counts, growth: Counts) -> None:
    assert grown(Tally(before, frozenset()), Tally(after, frozenset())) == growth


def test_without_counts_a_new_bit_is_an_error_at_least() -> None:
    clear, one = tally(), tally(bits=(CorrectableErrorStatus.receiver_error,))
    assert grown(clear, clear) == {}
    assert grown(clear, one) == {RECEIVER_ERROR: 1}
    assert new_bits(clear, one) == {RECEIVER_ERROR}


def test_a_bit_that_stood_before_hides_what_came_after() -> None:
    one = tally(bits=(CorrectableErrorStatus.receiver_error,))
    both = tally(bits=(CorrectableErrorStatus.receiver_error, UncorrectableErrorStatus.malformed_tlp))
    assert grown(one, one) is None
    assert grown(one, both) == {("component", "uncorrectable", "Malformed TLP"): 1}


def test_what_a_survey_of_the_bus_leaves_behind_hides_nothing_of_the_link() -> None:
    left = tally(bits=(UncorrectableErrorStatus.unsupported_request_error,))
    assert grown(left, left) == {}


def test_without_advanced_error_reporting_device_status_says_it() -> None:
    clear, one = tally(aer=False), tally(aer=False, bits=(DeviceStatus.non_fatal_error_detected,))
    assert grown(clear, clear) == {}
    assert grown(clear, one) == {("component", "nonfatal", "Non-Fatal Error Detected"): 1}


def test_an_end_that_does_not_answer_has_not_been_free_of_errors() -> None:
    clear = tally()
    assert grown(clear, Tally(None, frozenset(), silent=True)) is None
