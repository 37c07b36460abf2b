"""How links trained over boots."""

import msgspec
import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.snapshot import Snapshot, take
from probe.compare.history import History, history
from probe.host.machine import read_machine
from tests.compare.machines import A, B, drive, of, slot, snapshot

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


def boots(*described: Machine | Tree) -> History:
    """A boot each."""
    trees = [item.build() if isinstance(item, Machine) else item for item in described]
    taken = [take(read_machine(tree.source())) for tree in trees]
    return history([of_boot(made, f"boot {number}") for number, made in enumerate(taken)])


def of_boot(made: Snapshot, name: str) -> Snapshot:
    host = msgspec.structs.replace(made.evidence.host, boot_id=name)
    return msgspec.structs.replace(made, evidence=msgspec.structs.replace(made.evidence, host=host))


THERE, ABSENT = of(slot(1, drive(A)), slot(2)), of(slot(1), slot(2))
SILENT = THERE.build().silent("0000:01:00.0")


def test_a_boot_in_which_a_card_was_absent_or_silent_is_counted() -> None:
    (row,) = boots(THERE, ABSENT, SILENT, THERE).places
    assert (row.trainings, row.absent, row.silent, row.short) == (2, 1, 1, 0)
    assert row.component is not None
    no_port = of(slot(2))
    (row,) = boots(THERE, no_port, THERE).places
    assert (row.trainings, row.absent) == (2, 1)


def test_before_it_came_and_after_another_took_its_place_a_card_is_not_absent() -> None:
    rows = boots(ABSENT, THERE, of(slot(1, drive(B)), slot(2))).places
    assert [(row.trainings, row.absent) for row in rows] == [(1, 0), (1, 0)]


def test_a_card_that_moved_is_not_absent_where_it_was() -> None:
    rows = boots(THERE, of(slot(1), slot(2, drive(A)))).places
    assert [(row.place[:6], row.trainings, row.absent) for row in rows] == [("slot 1", 1, 0), ("slot 2", 1, 0)]


def test_two_cards_of_one_slot_are_kept_apart() -> None:
    other = of(slot(1, drive(B, BAD)), slot(2))
    rows = boots(THERE, other, THERE, other, other).places
    assert [(row.trainings, row.short) for row in rows] == [(3, 3), (2, 0)]
    assert len({row.component for row in rows}) == 2


def test_a_card_that_did_not_answer_in_between_is_still_known() -> None:
    other = of(slot(1, drive(B, BAD)), slot(2))
    rows = boots(THERE, ABSENT, SILENT, other).places
    assert [(row.trainings, row.short, row.silent) for row in rows] == [(1, 1, 0), (1, 0, 1)]


def test_a_card_that_was_asleep_is_the_same_card() -> None:
    (row,) = boots(THERE, of(slot(1, drive(A, power_state="D3cold")), slot(2)), THERE).places
    assert (row.trainings, row.absent, row.short) == (3, 0, 0)


@pytest.mark.parametrize("serial", [A, None])
def test_a_renumbered_domain_is_followed(serial: int | None) -> None:
    def in_domain(domain: str) -> Machine:
        return machine(
            root_port(f"{domain}:00:01.0", "16 GT/s x4").holds(drive(serial)),
            root_port("0000:00:02.0", "8 GT/s x8").holds(card("8 GT/s x8", device=7)),
        )

    rows = boots(in_domain("10000"), in_domain("10001"), in_domain("10000")).places
    assert [row.trainings for row in rows] == [3, 3]
    assert all(row.absent == 0 for row in rows)


def test_what_could_not_be_judged_is_no_good_training() -> None:
    unread = THERE.build().unprivileged().without_link_attributes()
    (row,) = boots(THERE, unread).places
    assert row.short == 0
    assert row.trainings - row.unjudged == 1


COUNTED = {"correctable": {"Bad TLP": 4}, "fatal": {"Malformed TLP": 2}, "nonfatal": {"Completion Timeout": 1}}


def test_errors_by_severity_and_the_most_of_a_boot() -> None:
    many, few = (of(slot(1, drive(A, counters=counters))) for counters in (COUNTED, {"correctable": {"Bad TLP": 3}}))
    one_boot = history([of_boot(snapshot(item), "one") for item in (many, few)])
    assert [(row.correctable, row.uncorrectable) for row in one_boot.places] == [(4, 3)]
    two_boots = boots(many, few)
    assert [(row.correctable, row.uncorrectable) for row in two_boots.places] == [(7, 3)]


def test_the_worst_comes_first() -> None:
    """Uncorrectable errors, then the share of boots that came up short, were absent or silent, then correctable errors."""
    first = of(
        slot(1, drive(1)), slot(2, drive(2, counters={"correctable": {"Bad TLP": 9}})), slot(3, drive(3, BAD)),
        slot(4, drive(4, counters={"fatal": {"Malformed TLP": 1}})), slot(5, drive(5)), slot(6, drive(6)),
    )  # fmt: skip
    second = of(
        slot(1, drive(1)), slot(2, drive(2)), slot(3, drive(3, BAD)), slot(4, drive(4)), slot(5), slot(6, drive(6)),
    )  # fmt: skip
    found = boots(first, second)
    assert [row.place.split(" (")[0] for row in found.places] == [
        "slot 4",
        "slot 3",
        "slot 5",
        "slot 2",
        "slot 1",
        "slot 6",
    ]
    assert (found.boots, found.snapshots) == (2, 2)
    assert [row.badness for row in found.places][:3] == [(1, 0.0, 0), (0, 1.0, 0), (0, 0.5, 0)]


def test_the_worst_state_of_a_boot_counts() -> None:
    good, bad = (snapshot(of(slot(1, drive(A, trained)))) for trained in ("16 GT/s x4", BAD))
    for order in ((good, bad), (bad, good)):
        (row,) = history([of_boot(item, "one") for item in order]).places
        assert (row.trainings, row.short, row.states) == (1, 1, {BAD: 1})


def test_snapshots_without_a_boot_id_are_a_boot_each() -> None:
    made = snapshot(of(slot(1, drive(A))))
    host = msgspec.structs.replace(made.evidence.host, boot_id=None)
    unknown = msgspec.structs.replace(made, evidence=msgspec.structs.replace(made.evidence, host=host))
    found = history([unknown, unknown, unknown])
    assert (found.boots, found.places[0].trainings) == (3, 3)
    assert history([]).places == ()
