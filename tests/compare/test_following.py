"""Snapshots one after another: what is known of components is carried on, the first of all is compared with nothing."""

from probe.compare.following import Followed, follow
from probe.errors.limits import Limits
from probe.exit_status import ExitStatus
from tests.compare.machines import A, drive, of, slot, snapshot

LIMITS = Limits()
PLACE = "0000/0/01.0"
HOUR = 3600.0


def test_the_first_of_all() -> None:
    first = follow(None, snapshot(of(slot(1, drive(A)))), LIMITS, {})
    assert (first.comparison, first.changes, first.titles, first.status) == (None, (), {}, ExitStatus.CLEAN)
    assert first.are[PLACE].serial == "00-00-00-00-00-00-00-a1"
    assert first.were == {}
    assert Followed().are == {}


def test_what_was_known_is_carried_on() -> None:
    blind = snapshot(of(slot(1, drive(None))), uptime_s=HOUR)
    known = follow(None, snapshot(of(slot(1, drive(A)))), LIMITS, {}).are
    followed = follow(blind, snapshot(of(slot(1, drive(None))), uptime_s=2 * HOUR), LIMITS, known)
    assert followed.were[PLACE].serial == followed.are[PLACE].serial == "00-00-00-00-00-00-00-a1"
    assert (followed.changes, followed.status) == ((), ExitStatus.CLEAN)
    assert followed.titles == {PLACE: "slot 1 (port 0000:00:01.0)"}


def test_what_changed_has_its_status() -> None:
    before, after = (
        snapshot(of(slot(1, drive(A, trained))), uptime_s=n * HOUR)
        for n, trained in ((1, "16 GT/s x4"), (2, "16 GT/s x1"))
    )
    followed = follow(before, after, LIMITS, {})
    assert {change.kind for change in followed.changes} == {"verdict", "width"}
    assert followed.status is ExitStatus.FOUND
    gone = follow(before, snapshot(of(slot(1)), uptime_s=2 * HOUR), LIMITS, {})
    assert gone.status is ExitStatus.URGENT
    assert PLACE not in gone.are
