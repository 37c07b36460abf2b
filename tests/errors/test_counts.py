"""The kernel's counters of a link, read once: zero and not read are never the same."""

import pytest

from fake_sysfs import card, machine, root_port
from probe.audit.audit import audit
from probe.audit.document import LinkDocument
from probe.errors.counts import ErrorCount, ErrorTotals, error_counts_of, summed
from probe.exit_status import ExitStatus, status_of
from probe.host.machine import read_machine
from probe.links.link import WhichEnd
from probe.registers.errors import Severity

CARD, PORT = "0000:01:00.0", "0000:00:01.0"


def link(*hidden: str, **counters: dict[str, int]) -> LinkDocument:
    tree = machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4", counters=counters))).build()
    for name in hidden:
        tree = tree.with_attribute(CARD, name, None)
    (found,) = audit(read_machine(tree.source())).links
    return found


def test_each_function_counts_for_itself_under_its_full_address() -> None:
    found = link(correctable={"Bad TLP": 3}, fatal={"Malformed TLP": 1})
    assert set(found.error_counts) == {
        ErrorCount(WhichEnd.COMPONENT, CARD, Severity.CORRECTABLE, "Bad TLP", 3),
        ErrorCount(WhichEnd.COMPONENT, CARD, Severity.FATAL, "Malformed TLP", 1),
    }
    assert found.counters == {PORT: ErrorTotals(0, 0, 0), CARD: ErrorTotals(3, 0, 1)}
    assert found.errors == ErrorTotals(3, 0, 1)


def test_a_counter_that_was_not_read_is_not_zero() -> None:
    found = link("aer_dev_correctable", "aer_dev_fatal", correctable={"Bad TLP": 3})
    assert found.counters[CARD] == ErrorTotals(None, 0, None)
    assert found.counters[PORT] == ErrorTotals(0, 0, 0)
    assert found.error_counts == ()


def test_counts_of_one_counter_add_up() -> None:
    counts = [*error_counts_of(WhichEnd.PORT, PORT, Severity.NONFATAL, "CmpltTO 2\nDLP 0\nTOTAL_ERR_NONFATAL 2")] * 2
    assert summed(counts) == (ErrorCount(WhichEnd.PORT, PORT, Severity.NONFATAL, "Completion Timeout", 4),)


def test_lanes_and_status_bits_of_an_end_that_was_not_read_are_absent() -> None:
    tree = machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4"))).build()
    (read,) = audit(read_machine(tree.source())).links
    assert read.lanes_in_error == {WhichEnd.PORT: (), WhichEnd.COMPONENT: ()}
    assert read.status_errors == {WhichEnd.PORT: (), WhichEnd.COMPONENT: ()}
    (as_user,) = audit(read_machine(tree.unprivileged().source())).links
    assert not any((as_user.lanes_in_error, as_user.status_errors, as_user.equalization))


@pytest.mark.parametrize(
    ("urgent", "found", "judged", "status"),
    [
        (False, False, True, ExitStatus.CLEAN), (False, True, True, ExitStatus.FOUND),
        (True, False, False, ExitStatus.URGENT), (True, True, True, ExitStatus.URGENT),
        (False, True, False, ExitStatus.FOUND), (False, False, False, ExitStatus.NOTHING_JUDGED),
    ],
)  # fmt: skip
def test_one_exit_status(urgent: bool, found: bool, judged: bool, status: ExitStatus) -> None:
    assert status_of(urgent=urgent, found=found, judged=judged) is status
