"""Who is in which place: gone, come, moved, replaced, with what is wired below, each told once."""

from typing import Any

import pytest

from fake_sysfs import Component, Machine, machine, port, root_port, switch
from probe.audit.snapshot import Snapshot
from probe.compare.changes import Comparison
from probe.compare.diff import diff
from probe.compare.swaps import Blame, _blame
from tests.compare.machines import A, B, C, drive, of, slot, snapshot


def told(document: Comparison) -> list[tuple[str, str]]:
    return [(change.kind, change.place) for change in document.changes]


def changed(before: Machine, after: Machine) -> list[tuple[str, str]]:
    return told(diff(snapshot(before), snapshot(after)))


ONE, TWO = "slot 1 (port 0000:00:01.0)", "slot 2 (port 0000:00:02.0)"


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (of(slot(1), slot(2, drive(B))), of(slot(2, drive(B))), [("port", ONE)]),
        (of(slot(2, drive(B))), of(slot(1), slot(2, drive(B))), [("port", ONE)]),
        (of(slot(1, drive(A)), slot(2)), of(slot(1), slot(2)), [("gone", ONE)]),
        (of(slot(1), slot(2)), of(slot(1, drive(A)), slot(2)), [("come", ONE)]),
        (of(slot(1, drive(A)), slot(2)), of(slot(1), slot(2, drive(A))), [("moved", TWO)]),
        (
            of(slot(1, drive(A)), slot(2, drive(B))),
            of(slot(1, drive(B)), slot(2, drive(A))),
            [("moved", ONE), ("moved", TWO)],
        ),
        (
            of(slot(1, drive(A)), slot(2, drive(B))),
            of(slot(1, drive(C)), slot(2, drive(A))),
            [("come", ONE), ("gone", TWO), ("moved", TWO)],
        ),
        (of(slot(1, drive(A))), of(slot(1, drive(B))), [("replaced", ONE)]),
        (of(slot(1, drive(None))), of(slot(1, drive(None))), []),
        (of(slot(1, drive(None))), of(slot(1, drive(None, device=9))), [("replaced", ONE)]),
        (of(slot(1, drive(A))), of(slot(1, drive(A, device=9))), []),  # new firmware may give other numbers
        (
            of(slot(1, drive(A)), slot(2, drive(A))),
            of(slot(1), slot(2, drive(A))),
            [("gone", ONE)],
        ),  # a serial given twice
    ],
)
def test_who_is_where(before: Machine, after: Machine, expected: list[tuple[str, str]]) -> None:
    assert sorted(changed(before, after)) == sorted(expected)


def carrier(*held: Component | None, serial: int = C, at: int = 1, **changes: Any) -> Machine:
    ports = [port("8 GT/s x4") if item is None else port("8 GT/s x4").holds(item) for item in held]
    others = [root_port(f"0000:00:0{number}.0", "16 GT/s x8", slot=number) for number in (1, 2) if number != at]
    made = root_port(f"0000:00:0{at}.0", "16 GT/s x8", slot=at).holds(
        switch("16 GT/s x8", *ports, serial=serial, **changes)
    )
    return machine(*sorted((made, *others), key=lambda item: item.address or ""))


def with_below(document: Comparison, kind: str) -> list[int]:
    return [len(getattr(change.what, "below", ())) for change in document.changes if change.kind == kind]


def taken(described: Machine) -> Snapshot:
    return snapshot(described)


def test_a_switch_that_went_takes_all_below_it_along() -> None:
    bare = machine(root_port("0000:00:01.0", "16 GT/s x8", slot=1), root_port("0000:00:02.0", "16 GT/s x8", slot=2))
    gone = diff(taken(carrier(drive(A), drive(B))), taken(bare))
    assert [kind for kind, _ in told(gone)] == ["gone"]
    assert with_below(gone, "gone") == [2]
    come = diff(taken(bare), taken(carrier(drive(A), drive(B))))
    assert [kind for kind, _ in told(come)] == ["come"]
    assert with_below(come, "come") == [2]


def test_a_switch_that_moved_takes_all_below_it_along() -> None:
    moved = diff(taken(carrier(drive(A), drive(B))), taken(carrier(drive(A), drive(B), at=2)))
    assert [kind for kind, _ in told(moved)] == ["moved"]


def test_a_card_that_moved_off_a_switch_that_went_is_told_for_itself() -> None:
    before = carrier(drive(A), drive(B))
    after = machine(
        root_port("0000:00:01.0", "16 GT/s x8", slot=1), root_port("0000:00:02.0", "16 GT/s x8", slot=2).holds(drive(A))
    )
    assert sorted(kind for kind, _ in changed(before, after)) == ["gone", "moved"]


def test_a_card_that_went_below_a_switch_that_stayed_is_told() -> None:
    kinds = changed(carrier(drive(A), drive(B)), carrier(drive(A), None))
    assert [kind for kind, _ in kinds] == ["gone"]


def test_another_switch_with_the_same_cards_is_replaced_alone() -> None:
    kinds = changed(carrier(drive(A), drive(B)), carrier(drive(A), drive(B), serial=0x77))
    assert [kind for kind, _ in kinds] == ["replaced"]


def test_functions_by_number() -> None:
    def of_functions(count: int) -> Machine:
        made = drive(A)
        for _ in range(count - 1):
            made = made.also()
        return of(slot(1, made))

    lost = diff(snapshot(of_functions(3)), snapshot(of_functions(1))).changes
    assert [change.sentence.split(" of ")[0] for change in lost] == ["function 0000:01:00.1", "function 0000:01:00.2"]
    assert all(change.urgent and "is gone, while others" in change.sentence for change in lost)
    more = diff(snapshot(of_functions(1)), snapshot(of_functions(2))).changes
    assert [(change.urgent, "is there that was not before" in change.sentence) for change in more] == [(False, True)]


@pytest.mark.parametrize(
    ("elsewhere", "slot_after", "blame"),
    [
        (True, True, Blame.BOTH), (True, False, Blame.CARD), (True, None, Blame.CARD), (False, True, Blame.SLOT),
        (None, True, Blame.SLOT), (False, False, Blame.BETWEEN), (False, None, Blame.OPEN), (None, False, Blame.OPEN),
        (None, None, Blame.OPEN),
    ],
)  # fmt: skip
def test_where_trouble_lies(*, elsewhere: bool | None, slot_after: bool | None, blame: Blame) -> None:
    assert _blame(elsewhere=elsewhere, slot_after=slot_after) is blame


def test_cards_without_serial_numbers_below_a_switch_that_moved_are_those_that_were_there() -> None:
    blank = drive(None)
    whole = diff(taken(carrier(blank, blank)), taken(carrier(blank, blank, at=2)))
    assert [kind for kind, _ in told(whole)] == ["moved"]
