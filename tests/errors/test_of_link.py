"""The counters and status registers of both ends of a link: whose they are, and who keeps none."""

from collections.abc import Callable
from typing import Any

import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.document import LinkDocument
from probe.errors.counts import ErrorCount, ErrorCounters, ErrorTotals
from probe.links.link import WhichEnd
from probe.registers.errors import CorrectableErrorStatus, Severity, UncorrectableErrorStatus

One = Callable[[Machine | Tree], LinkDocument]
PORT, CARD, SECOND, THIRD = "0000:00:01.0", "0000:01:00.0", "0000:01:00.1", "0000:01:00.2"
FILES = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")
COUNTED: dict[str, dict[str, int]] = {
    "correctable": {"Bad TLP": 3},
    "nonfatal": {"Completion Timeout": 2},
    "fatal": {"Malformed TLP": 1},
}


def functions_of_three() -> Machine:
    plain = card("8 GT/s x4", has_aer=False)
    third = plain.also(has_aer=False).also(has_aer=True, counters=COUNTED)
    return machine(root_port(PORT, "8 GT/s x4").holds(third))


def test_a_function_without_counters_hides_none_after_it(judge_one: One) -> None:
    link = judge_one(functions_of_three())
    assert set(link.counters) == {PORT, THIRD}
    assert link.counters[THIRD] == ErrorTotals(3, 2, 1)
    assert link.errors == ErrorTotals(3, 2, 1)
    assert {item.function for item in link.error_counts} == {THIRD}


def test_what_each_severity_counted_is_told_of_its_end(judge_one: One) -> None:
    described = machine(
        root_port(PORT, "8 GT/s x4", counters={"fatal": {"Malformed TLP": 4}}).holds(
            card("8 GT/s x4", counters=COUNTED)
        )
    )
    assert set(judge_one(described).error_counts) == {
        ErrorCount(WhichEnd.PORT, PORT, Severity.FATAL, "Malformed TLP", 4),
        ErrorCount(WhichEnd.COMPONENT, CARD, Severity.CORRECTABLE, "Bad TLP", 3),
        ErrorCount(WhichEnd.COMPONENT, CARD, Severity.NONFATAL, "Completion Timeout", 2),
        ErrorCount(WhichEnd.COMPONENT, CARD, Severity.FATAL, "Malformed TLP", 1),
    }


@pytest.mark.published(
    "Linux drivers/pci/pcie/aer.c, aer_stats_attrs_are_visible: the files are there with the capability"
)
def test_counters_that_could_not_be_read_are_there_and_unknown(judge_one: One) -> None:
    tree = machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4"))).build()
    for name in FILES:
        tree = tree.with_attribute(CARD, name, None)
    assert judge_one(tree).counters[CARD] == ErrorTotals()  # its config space has the capability
    assert CARD not in judge_one(tree.unprivileged()).counters
    failing = machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4"))).build().unprivileged()
    for name in FILES:
        failing = failing.failing(CARD, name)
    assert judge_one(failing).counters[CARD] == ErrorTotals()


@pytest.mark.parametrize(
    ("totals", "most"),
    [
        ((ErrorTotals(1, 0, 0), ErrorTotals(2, 0, 0)), ErrorTotals(2, 0, 0)),
        ((ErrorTotals(0, 0, 0), ErrorTotals(None, None, None)), ErrorTotals(None, None, None)),
        ((ErrorTotals(5, 0, None), ErrorTotals(None, 1, 0)), ErrorTotals(5, 1, None)),
        ((ErrorTotals(None, None, None),), ErrorTotals()),
        ((), ErrorTotals()),
    ],
)
def test_the_totals_of_a_link_are_the_most_of_any(totals: tuple[ErrorTotals, ...], most: ErrorTotals) -> None:
    found = ErrorCounters((), {str(number): total for number, total in enumerate(totals)})
    assert found.totals == most
    assert [most.of(severity) for severity in Severity] == [most.correctable, most.nonfatal, most.fatal]


STATUS: list[tuple[dict[Any, Any], tuple[str, ...]]] = [
    ({}, ()),
    ({CorrectableErrorStatus.bad_tlp: True}, ("Bad TLP",)),
    ({UncorrectableErrorStatus.malformed_tlp: True}, ("Malformed TLP",)),
    ({CorrectableErrorStatus.bad_dllp: True, UncorrectableErrorStatus.ecrc_error: True}, ("Bad DLLP", "ECRC Error")),
]


@pytest.mark.parametrize(("registers", "names"), STATUS)
def test_status_bits_of_both_ends(registers: dict[Any, Any], names: tuple[str, ...], judge_one: One) -> None:
    link = judge_one(machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4", registers=registers))))
    assert link.status_errors == {WhichEnd.PORT: (), WhichEnd.COMPONENT: names}
    blind = machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4", registers=registers))).build().unprivileged()
    assert judge_one(blind).status_errors == {}
    alone = judge_one(
        machine(root_port(PORT, "8 GT/s x4", has_aer=False).holds(card("8 GT/s x4", registers=registers)))
    )
    assert alone.status_errors == {WhichEnd.COMPONENT: names}
