"""What two snapshots of described machines are told to differ in."""

import msgspec
import pytest

from probe.audit.snapshot import Snapshot, take
from probe.compare.changes import Comparison, exit_status
from probe.compare.diff import diff
from probe.compare.rank import Rank
from probe.errors.limits import Limit
from probe.evidence import LogLine
from probe.exceptions import InputError
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from probe.registers.errors import CorrectableErrorStatus
from probe.registers.physical import LaneErrorStatus
from tests.compare.machines import A, B, drive, of, slot, snapshot

HOUR = 3600.0
GOOD = snapshot(of(slot(1, drive())), uptime_s=HOUR)


def told(document: Comparison) -> set[tuple[str, str]]:
    return {(change.kind, change.rank.value) for change in document.changes}


def test_nothing() -> None:
    document = diff(GOOD, GOOD)
    assert document.empty
    assert document.changes == ()
    assert exit_status(document) is ExitStatus.CLEAN


def test_times_and_loads_are_no_difference() -> None:
    later = snapshot(of(slot(1, drive())), uptime_s=9 * HOUR, load_average=(9.0,), taken_at="2030-01-01T00:00:00+00:00")
    document = diff(GOOD, later)
    assert document.empty
    assert document.elapsed_s == 8 * HOUR


@pytest.mark.parametrize(
    ("trained", "kinds"),
    [
        ("8 GT/s x4", {("speed", "worse"), ("verdict", "worse"), ("equalization", "worse")}),
        ("16 GT/s x2", {("width", "worse"), ("verdict", "worse")}),
    ],
)
def test_trained_lower(trained: str, kinds: set[tuple[str, str]]) -> None:
    document = diff(GOOD, snapshot(of(slot(1, drive(trained=trained))), uptime_s=2 * HOUR))
    assert told(document) == kinds
    assert exit_status(document) is ExitStatus.FOUND
    assert all(change.evidence for change in document.changes)


def test_trained_higher_is_better() -> None:
    document = diff(snapshot(of(slot(1, drive(trained="8 GT/s x4"))), uptime_s=1.0), GOOD)
    assert {rank for _, rank in told(document)} == {"better"}
    assert exit_status(document) is ExitStatus.CLEAN


def test_resting_is_no_news() -> None:
    resting = snapshot(of(slot(1, drive(trained="2.5 GT/s x4", power_state="D3hot"))), uptime_s=2 * HOUR)
    document = diff(snapshot(of(slot(1, drive(None)))), resting)
    assert all(change.rank is Rank.NEUTRAL for change in document.changes if change.kind in {"speed", "verdict"})


def test_gone_is_urgent() -> None:
    document = diff(GOOD, snapshot(of(slot(1)), uptime_s=2 * HOUR))
    (gone,) = document.changes
    assert (gone.kind, gone.urgent) == ("gone", True)
    assert exit_status(document) is ExitStatus.URGENT


def test_a_port_that_is_gone_with_its_component_is_one_change() -> None:
    two = snapshot(of(slot(1, drive()), slot(2, drive(B))))
    (gone,) = diff(two, GOOD).changes
    assert gone.sentence.endswith("and so is its port")
    assert gone.urgent


def test_come() -> None:
    (come,) = diff(snapshot(of(slot(1))), GOOD).changes
    assert (come.kind, come.rank) == ("come", Rank.BETTER)


def test_moved_by_serial_number() -> None:
    before = snapshot(of(slot(1, drive()), slot(2)))
    after = snapshot(of(slot(1), slot(2, drive())))
    (moved,) = diff(before, after).changes
    assert (moved.kind, moved.rank) == ("moved", Rank.NEUTRAL)
    assert "moved here from slot 1" in moved.sentence
    assert moved.place.startswith("slot 2")


def test_two_cards_that_change_places_are_two_moves() -> None:
    before = snapshot(of(slot(1, drive(A)), slot(2, drive(B))))
    after = snapshot(of(slot(1, drive(B)), slot(2, drive(A))))
    assert told(diff(before, after)) == {("moved", "neutral")}
    assert len(diff(before, after).changes) == 2


def test_replaced() -> None:
    (replaced,) = diff(GOOD, snapshot(of(slot(1, drive(B))))).changes
    assert replaced.kind == "replaced"


def test_a_card_added_elsewhere_renumbers_nothing() -> None:
    before = snapshot(of(slot(1), slot(2, drive())))
    after = snapshot(of(slot(1, drive(B)), slot(2, drive()), skipped_buses=7))
    assert told(diff(before, after)) == {("come", "better")}


def test_lane_errors() -> None:
    lanes = {LaneErrorStatus.lanes: (2,)}
    (change,) = diff(GOOD, snapshot(of(slot(1, drive(registers=lanes))), uptime_s=2 * HOUR)).changes
    assert (change.kind, change.rank) == ("lanes in error", Rank.WORSE)


def test_settings_and_firmware_are_neutral() -> None:
    after = snapshot(of(slot(1, drive(payload=128, driver="other")), kernel="6.13.0"), uptime_s=2 * HOUR)
    after_firmware = msgspec.structs.replace(after.evidence.host, firmware={"bios_version": "2"})
    evidence = msgspec.structs.replace(after.evidence, host=after_firmware)
    document = diff(GOOD, msgspec.structs.replace(after, evidence=evidence))
    assert told(document) == {("Max_Payload_Size", "neutral"), ("driver", "neutral"), ("host", "neutral")}
    assert exit_status(document) is ExitStatus.CLEAN


def counting(
    number: int, hours: float, error: str = "Receiver Error", severity: str = "correctable", **host: object
) -> Snapshot:
    counters = {severity: {error: number}} if number else {}
    return snapshot(of(slot(1, drive(counters=counters))), uptime_s=hours * HOUR, **host)


@pytest.mark.parametrize(
    ("before", "after", "hours", "exceeded"),
    [(0, 5, 2, False), (0, 6, 2, True), (0, 6, 1, True), (0, 6, 24, False), (3, 9, 2, True), (3, 8, 2, False)],
)
@pytest.mark.published("illumos pciex.esc: 6 correctable link errors in 2 hours")
def test_the_published_limit(before: int, after: int, hours: float, exceeded: bool) -> None:
    document = diff(counting(before, 1), counting(after, 1 + hours))
    (errors,) = document.errors
    assert errors.finding.events == after - before
    assert errors.exceeded == exceeded
    assert errors.per_hour == pytest.approx((after - before) / hours)
    assert errors.aspm == "off"
    assert exit_status(document) is (ExitStatus.FOUND if exceeded else ExitStatus.CLEAN)


def test_uncorrectable_errors_are_urgent() -> None:
    document = diff(counting(0, 1), counting(1, 2, "Completion Timeout", "nonfatal"))
    assert exit_status(document) is ExitStatus.URGENT


def test_a_reboot_makes_counts_a_floor() -> None:
    document = diff(counting(50, 9, boot_id="x"), counting(7, 1, boot_id="y"))
    assert document.rebooted
    assert document.elapsed_s == HOUR
    (errors,) = document.errors
    assert (errors.finding.events, errors.floor) == (7, True)
    assert any("started anew" in note for note in document.notes)


def test_a_counter_that_went_down_is_a_floor() -> None:
    document = diff(counting(50, 1), counting(7, 2))
    assert not document.rebooted
    (errors,) = document.errors
    assert (errors.finding.events, errors.floor) == (7, True)
    assert any("began anew" in note for note in document.notes)


def test_the_log_between() -> None:
    old = LogLine("pcieport 0000:00:01.0: pciehp: Slot(1): Link Down", 10.0)
    new = LogLine("pcieport 0000:00:01.0: DPC: containment event, status:0x1f01 source:0x0000", HOUR + 10)

    def with_log(*lines: LogLine, hours: float) -> Snapshot:
        made = snapshot(of(slot(1, drive())), uptime_s=hours * HOUR)
        return msgspec.structs.replace(made, evidence=msgspec.structs.replace(made.evidence, kernel_log=lines))

    document = diff(with_log(old, hours=1), with_log(old, new, hours=2))
    (change,) = document.changes
    assert (change.kind, change.urgent) == ("log", True)
    assert "containment" in change.sentence
    assert diff(with_log(old, hours=1), with_log(old, hours=2)).empty


def test_a_component_that_no_longer_answers() -> None:

    silent = take(read_machine(of(slot(1, drive(None))).build().silent("0000:01:00.0").source()))
    document = diff(snapshot(of(slot(1, drive(None)))), silent)
    assert any(change.kind == "answers" and change.urgent for change in document.changes)
    assert exit_status(document) is ExitStatus.URGENT


@pytest.mark.parametrize("text", ["", "6", "0/2h", "6/0h", "six/2h", "6/2"])
def test_limits_that_are_none(text: str) -> None:
    with pytest.raises(InputError, match="is no limit; write errors and hours, as 6/2h"):
        Limit.parse(text)


def test_an_older_snapshot_is_judged_anew() -> None:
    stale = msgspec.structs.replace(GOOD, written_by="linkprobe 0.0.1", links=())
    assert diff(stale, GOOD).empty


def test_a_status_bit_that_no_counter_tells_of() -> None:
    bits = {CorrectableErrorStatus.receiver_error: True}
    after = snapshot(of(slot(1, drive(registers=bits))), uptime_s=2 * HOUR)
    (change,) = diff(GOOD, after).changes
    assert change.sentence == (
        "at least one Receiver Error at the component, which no counter tells of; suspect host to component"
    )
    counted = drive(registers=bits, counters={"correctable": {"Receiver Error": 1}})
    told_by_the_counter = diff(GOOD, snapshot(of(slot(1, counted)), uptime_s=2 * HOUR)).changes
    assert {change.kind for change in told_by_the_counter} == {"errors"}
