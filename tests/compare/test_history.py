"""How links trained over boots."""

from probe.compare.history import history
from tests.compare.machines import A, drive, of, slot, snapshot

BAD = "16 GT/s x1"


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
