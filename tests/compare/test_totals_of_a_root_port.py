"""Errors that came to a Root Port while nobody at it or below it counted them."""

from typing import Any

import pytest

from fake_sysfs import Tree, card, machine, port, root_port, switch
from probe.audit.snapshot import Snapshot, take
from probe.compare.diff import diff
from probe.compare.unclaimed import Unclaimed
from probe.host.machine import read_machine

PORT, CARD = "0000:00:01.0", "0000:01:00.0"
HOUR = 3600.0


def tree(
    totals: dict[str, int], counters: dict[str, dict[str, int]], hours: float = 1.0, *, deep: bool = False
) -> Tree:
    drive = card("8 GT/s x4", counters=counters, serial=0xA1)
    held = switch("8 GT/s x4", port("8 GT/s x4").holds(drive), serial=0xB2) if deep else drive
    described = machine(root_port(PORT, "8 GT/s x4", slot=1, root_totals=totals).holds(held))
    return described.build().with_file("proc/uptime", f"{hours * HOUR} 0\n".encode())


def taken(item: Tree) -> Snapshot:
    return take(read_machine(item.source()))


def unclaimed(before: Tree, after: Tree) -> list[tuple[str, int, int]]:
    found: list[Any] = [change.what for change in diff(taken(before), taken(after)).changes]
    return [(item.severity, item.count, item.total) for item in found if isinstance(item, Unclaimed)]


@pytest.mark.published(
    "Documentation/ABI/testing/sysfs-bus-pci-devices-aer: aer_rootport_total_err_cor, _nonfatal, _fatal"
)
@pytest.mark.parametrize("severity", ["correctable", "nonfatal", "fatal"])
@pytest.mark.parametrize("deep", [False, True])
@pytest.mark.parametrize(
    ("total", "claimed", "rest"), [(5, 5, 0), (5, 3, 2), (5, 0, 5), (1, 0, 1), (5, 6, 0), (0, 0, 0)]
)
def test_what_grew_by_more_than_was_counted_below(
    severity: str, total: int, claimed: int, rest: int, *, deep: bool
) -> None:
    name = {"correctable": "Bad TLP", "nonfatal": "Completion Timeout", "fatal": "Malformed TLP"}[severity]
    before = tree({severity: 10}, {severity: {name: 1}}, deep=deep)
    after = tree({severity: 10 + total}, {severity: {name: 1 + claimed}}, 2.0, deep=deep)
    assert unclaimed(before, after) == ([(severity, rest, total)] if rest else [])


def test_nothing_is_said_where_something_was_not_read() -> None:
    before, after = tree({"correctable": 1}, {}), tree({"correctable": 9}, {}, 2.0)
    assert unclaimed(before, after) == [("correctable", 8, 8)]
    assert unclaimed(before, after.with_attribute(CARD, "aer_dev_correctable", None)) == []
    assert unclaimed(before, after.with_attribute(PORT, "aer_rootport_total_err_cor", None)) == []
    assert unclaimed(before.with_attribute(PORT, "aer_rootport_total_err_cor", None), after) == []
    assert unclaimed(after, before) == []
    assert unclaimed(before, after.with_attribute(CARD, "aer_dev_fatal", None)) == [("correctable", 8, 8)]


def test_a_counter_that_began_anew_may_have_claimed_the_rest() -> None:
    before = tree({"correctable": 1}, {"correctable": {"Bad TLP": 5}})
    assert unclaimed(before, tree({"correctable": 9}, {"correctable": {"Bad TLP": 1}}, 2.0)) == []
