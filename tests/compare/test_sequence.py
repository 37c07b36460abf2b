"""Swaps and histories: whether trouble follows the card, and how often a link came up short."""

import pytest

from fake_sysfs import Machine
from probe.compare.sequence import Blame, conclusions, history
from tests.compare.machines import A, B, drive, of, slot, snapshot

BAD = "16 GT/s x1"
FIRST = snapshot(of(slot(1, drive(A, BAD)), slot(2, drive(B))))


@pytest.mark.parametrize(
    ("after", "blame"),
    [
        (of(slot(1, drive(B)), slot(2, drive(A, BAD))), Blame.CARD),
        (of(slot(1, drive(B, BAD)), slot(2, drive(A))), Blame.SLOT),
        (of(slot(1, drive(B)), slot(2, drive(A))), Blame.BETWEEN),
        (of(slot(1, drive(B, BAD)), slot(2, drive(A, BAD))), Blame.BOTH),
        (of(slot(1, drive(A)), slot(2, drive(B))), Blame.BETWEEN),
        (of(slot(1, drive(A, BAD)), slot(2, drive(B))), Blame.OPEN),
        (of(slot(1), slot(2, drive(A, BAD))), Blame.CARD),
    ],
)
def test_blame(after: Machine, blame: Blame) -> None:
    found = conclusions([FIRST, FIRST, snapshot(after)])
    assert found[0].blame is blame
    assert len(found[0].evidence) >= 2


def test_no_trouble_no_conclusion() -> None:
    assert conclusions([snapshot(of(slot(1, drive())))] * 3) == ()


def test_short_in_1_of_20_trainings() -> None:
    boots = [snapshot(of(slot(1, drive(A, BAD if n == 7 else "16 GT/s x4"))), boot_id=f"boot {n}") for n in range(20)]
    document = history(boots)
    (row,) = document.places
    assert (document.boots, row.trainings, row.short) == (20, 20, 1)
    assert row.states == {"16 GT/s x4": 19, "16 GT/s x1": 1}


def test_snapshots_of_one_boot_are_one_training() -> None:
    same = [snapshot(of(slot(1, drive())), boot_id="one") for _ in range(5)]
    assert history(same).places[0].trainings == 1


def test_errors_of_a_boot_are_counted_once() -> None:
    counted = drive(counters={"correctable": {"Bad TLP": 4}})
    boots = [snapshot(of(slot(1, counted)), boot_id=name) for name in ("one", "one", "two")]
    assert history(boots).places[0].correctable == 8
