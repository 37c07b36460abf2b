"""Swaps: whether trouble follows a card or stays with its slot."""

from dataclasses import replace

import pytest

from fake_sysfs import Machine
from probe.audit.snapshot import Snapshot
from probe.compare.alignment import aligned
from probe.compare.comparable import comparable
from probe.compare.diff import compare
from probe.compare.steps import steps
from probe.compare.swaps import Blame, Conclusion, conclusions
from tests.compare.machines import A, B, drive, of, slot, snapshot

BAD = "16 GT/s x1"
HOUR = 3600.0
FIRST = snapshot(of(slot(1, drive(A, BAD)), slot(2, drive(B))))


def concluded(*snapshots: Snapshot) -> tuple[Conclusion, ...]:
    return conclusions(steps(aligned([comparable(item) for item in snapshots])))


@pytest.mark.parametrize(
    ("after", "blame"),
    [
        (of(slot(1, drive(B)), slot(2, drive(A, BAD))), Blame.CARD),
        (of(slot(1, drive(B, BAD)), slot(2, drive(A))), Blame.SLOT),
        (of(slot(1, drive(B)), slot(2, drive(A))), Blame.BETWEEN),
        (of(slot(1, drive(B, BAD)), slot(2, drive(A, BAD))), Blame.BOTH),
        (of(slot(1), slot(2, drive(A, BAD))), Blame.CARD),
        (of(slot(1), slot(2, drive(A))), Blame.OPEN),
    ],
)
def test_blame(after: Machine, blame: Blame) -> None:
    found = concluded(FIRST, FIRST, snapshot(after))
    assert found[0].blame is blame
    assert len(found[0].evidence) >= 2


@pytest.mark.parametrize("trained", ["16 GT/s x4", BAD])
def test_where_nothing_moved_nothing_is_concluded(trained: str) -> None:
    rebooted = snapshot(replace(of(slot(1, drive(A, trained)), slot(2, drive(B))), boot_id="another"))
    assert concluded(FIRST, FIRST, rebooted) == ()


def test_no_trouble_no_conclusion() -> None:
    assert concluded(*[snapshot(of(slot(1, drive())))] * 3) == ()


def erring(first: int, second: int, *, swapped: bool, hours: float, boot_id: str = "one") -> Snapshot:
    cards = [
        drive(A, counters={"correctable": {"Bad TLP": first}}),
        drive(B, counters={"correctable": {"Bad TLP": second}}),
    ]
    ports = [slot(n, card) for n, card in enumerate(reversed(cards) if swapped else cards, start=1)]
    return snapshot(of(*ports), uptime_s=hours * HOUR, boot_id=boot_id)


def test_errors_that_grew_before_and_after_a_swap() -> None:
    before = [erring(5, 0, swapped=False, hours=1), erring(25, 0, swapped=False, hours=2)]
    follows = [erring(2, 1, swapped=True, hours=1, boot_id="two"), erring(30, 1, swapped=True, hours=2, boot_id="two")]
    (found,) = concluded(*before, *follows)
    assert found.blame is Blame.CARD
    stays = [erring(2, 1, swapped=True, hours=1, boot_id="two"), erring(2, 40, swapped=True, hours=2, boot_id="two")]
    assert concluded(*before, *stays)[0].blame is Blame.SLOT


def test_what_was_counted_since_boot_shows_nothing() -> None:
    before = [erring(500, 0, swapped=False, hours=1), erring(500, 0, swapped=False, hours=2)]
    assert concluded(*before, erring(7, 0, swapped=True, hours=1, boot_id="two")) == ()
    grew = [erring(500, 0, swapped=False, hours=1), erring(540, 0, swapped=False, hours=2)]
    (found,) = concluded(*grew, erring(7, 7, swapped=True, hours=1, boot_id="two"))
    assert found.blame is Blame.OPEN
    assert "not known whether in trouble" in found.evidence[-1]


def test_conclusions_are_in_the_document() -> None:
    after = snapshot(of(slot(1, drive(B)), slot(2, drive(A, BAD))))
    (found,) = compare([FIRST, FIRST, after]).conclusions
    assert found.blame is Blame.CARD


def test_only_what_comes_after_the_trouble_tells_of_it() -> None:
    """A card that was fine elsewhere before it came here shows nothing: it may have been damaged on the way."""
    elsewhere = snapshot(of(slot(1), slot(2, drive(A))))
    here = snapshot(of(slot(1, drive(A, BAD)), slot(2)))
    assert concluded(elsewhere, here, here) == ()


def test_the_evidence_begins_where_the_trouble_was_seen() -> None:
    (found,) = concluded(FIRST, FIRST, snapshot(of(slot(1, drive(B)), slot(2, drive(A, BAD)))))
    assert [line.split(":")[0] for line in found.evidence] == ["snapshot 1", "snapshot 2", "snapshot 3", "snapshot 3"]
