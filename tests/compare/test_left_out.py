"""What could not be read in one of the snapshots, or in both: told, never counted, and never passed over."""

from typing import Any

import msgspec
import pytest

from fake_sysfs import Tree
from probe.audit.snapshot import Snapshot, take
from probe.compare.changes import Comparison, exit_status
from probe.compare.diff import compare, diff
from probe.evidence import Unread, Why
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from tests.compare.machines import A, B, drive, of, slot, snapshot

HOUR = 3600.0
FILES = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")
CARD, PORT = "0000:01:00.0", "0000:00:01.0"


def taken(tree: Tree) -> Snapshot:
    return take(read_machine(tree.source()))


def unlisted(made: Snapshot) -> Snapshot:
    gap = Unread("bus/pci/devices", Why.DENIED, "Permission denied")
    return msgspec.structs.replace(made, evidence=msgspec.structs.replace(made.evidence, functions=(), unread=(gap,)))


GOOD = snapshot(of(slot(1, drive(A))), uptime_s=HOUR)
LATER = snapshot(of(slot(1, drive(A, "16 GT/s x2"))), uptime_s=2 * HOUR)


@pytest.mark.parametrize(
    ("snapshots", "numbers", "kinds"),
    [
        ((unlisted(GOOD), LATER), [1], set()),
        ((GOOD, unlisted(LATER)), [2], set()),
        ((unlisted(GOOD), unlisted(LATER)), [1, 2], set()),
        ((GOOD, unlisted(GOOD), LATER), [2], {"verdict", "width"}),
        ((unlisted(GOOD), GOOD, LATER), [1], {"verdict", "width"}),
    ],
)
def test_a_list_that_was_not_read_is_no_list_of_nothing(
    snapshots: tuple[Snapshot, ...], numbers: list[int], kinds: set[str]
) -> None:
    document = compare(snapshots)
    assert {change.kind for change in document.changes} == kinds
    assert document.undecided
    assert document.snapshots == len(snapshots)
    assert [note for note in document.notes if "left out" in note] == [
        f"Snapshot {number} is left out: its PCI functions could not be listed (Permission denied)."
        for number in numbers
    ]
    assert exit_status(document) is (ExitStatus.FOUND if kinds else ExitStatus.NOTHING_JUDGED)


def not_compared(document: Comparison) -> list[tuple[str, str, bool]]:
    found = []
    for change in document.changes:
        what: Any = change.what
        if change.kind == "not compared":
            found.append((change.sentence, change.evidence, what.undecided))
    return found


TREE = of(slot(1, drive(A)), slot(2, drive(B))).build()


def without(tree: Tree, address: str, *names: str) -> Tree:
    for name in names:
        tree = tree.with_attribute(address, name, None)
    return tree


def test_counters_that_were_read_once() -> None:
    blind = without(TREE, CARD, *FILES)
    first = not_compared(diff(taken(TREE), taken(blind)))
    assert [(sentence, undecided) for sentence, _, undecided in first] == [("error counters no longer readable", True)]
    second = not_compared(diff(taken(blind), taken(TREE)))
    assert [sentence for sentence, _, _ in second] == ["error counters not readable before, so not compared"]
    neither = not_compared(diff(taken(blind), taken(blind)))
    assert [sentence for sentence, _, _ in neither] == ["error counters of what is here now could not be read"]
    assert not_compared(diff(taken(TREE), taken(TREE))) == []


def test_places_that_lack_the_same_are_one() -> None:
    blind = without(without(TREE, CARD, *FILES), "0000:02:00.0", *FILES)
    ((_, evidence, undecided),) = not_compared(diff(taken(TREE), taken(blind)))
    assert evidence == "read before only, at slot 1 (port 0000:00:01.0), slot 2 (port 0000:00:02.0)"
    assert undecided
    (change,) = diff(taken(TREE), taken(blind)).changes
    assert change.place == "this machine"


def test_a_speed_that_was_read_once() -> None:
    user = TREE.unprivileged()
    unknown = user.with_attribute(CARD, "current_link_speed", "Unknown").with_attribute(
        PORT, "current_link_speed", "Unknown"
    )
    (change,) = not_compared(diff(taken(user), taken(unknown)))
    assert change[0] == "verdict, speed no longer readable"
    assert change[2]
    assert exit_status(diff(taken(user), taken(unknown))) is ExitStatus.NOTHING_JUDGED


def test_a_newcomer_that_cannot_be_judged() -> None:
    before = of(slot(1), slot(2, drive(B))).build()
    unknown = TREE.unprivileged()
    for name, text in (
        ("max_link_speed", "Unknown"),
        ("current_link_speed", "Unknown"),
        ("max_link_width", "0"),
        ("current_link_width", "0"),
    ):
        unknown = unknown.with_attribute(CARD, name, text)
    told = not_compared(diff(taken(before), taken(unknown)))
    assert ("verdict of what is here now could not be read", "read in neither snapshot", True) in told
    blind = without(TREE, CARD, *FILES)
    told = not_compared(diff(taken(before), taken(blind)))
    assert told == [("error counters of what is here now could not be read", "read in neither snapshot", True)]
    assert not_compared(diff(taken(before), taken(TREE))) == []


def test_a_machine_that_counts_no_errors_misses_no_counter() -> None:
    bare = of(slot(1, drive(A, has_aer=False), has_aer=False)).build()
    assert not_compared(diff(taken(bare), taken(bare))) == []
