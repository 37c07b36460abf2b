"""A component is what was read of it: unread is never another one, and what is known is carried forward."""

from typing import Any

import pytest

from fake_sysfs import Machine, Tree, card, machine, port, root_port, switch
from probe.audit.snapshot import Snapshot, take
from probe.compare.changes import Comparison, exit_status
from probe.compare.diff import compare, diff
from probe.compare.identity import Identity, identity_of
from probe.compare.rank import Rank
from probe.evidence import Names
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from probe.kernel_spellings import COUNTER_FILES
from probe.links.component import Component
from probe.links.link import WhichEnd
from probe.registers.errors import Severity
from probe.registers.link import LinkStatus2
from tests.compare.machines import A, B, drive, of, slot, snapshot

HOUR = 3600.0
COUNTED = {"correctable": {"Bad TLP": 50}}
CARD = "0000:01:00.0"


def taken(tree: Tree) -> Snapshot:
    return take(read_machine(tree.source()))


def at(hours: float, *ports: Any, **changes: Any) -> Machine:
    return of(*ports, uptime_s=hours * HOUR, **changes)


def kinds(document: Comparison) -> set[str]:
    return {change.kind for change in document.changes}


def asleep(hours: float, counters: dict[str, dict[str, int]] | None = None) -> Snapshot:
    return snapshot(at(hours, slot(1, drive(A, power_state="D3cold", counters=counters or COUNTED))))


AWAKE = snapshot(at(1, slot(1, drive(A, counters=COUNTED))))


@pytest.mark.parametrize(
    "snapshots",
    [
        (AWAKE, asleep(2)),
        (asleep(0.5), AWAKE),
        (AWAKE, asleep(2), snapshot(at(3, slot(1, drive(A, counters=COUNTED))))),
        (AWAKE, snapshot(at(2, slot(1, drive(A, "2.5 GT/s x4", power_state="D3hot", counters=COUNTED))))),
    ],
)
def test_a_card_that_falls_asleep_and_wakes_is_itself_and_is_told_once(snapshots: tuple[Snapshot, ...]) -> None:
    document = compare(snapshots)
    assert document.counts == ()
    assert document.changes == ()
    assert exit_status(document) is ExitStatus.CLEAN
    told = [note for note in document.notes if "judged under load" in note]
    assert len(told) == (1 if len(snapshots) == 2 else 0)
    assert all(note.startswith("slot 1 (port 0000:00:01.0): ") for note in told)


def test_a_sleeping_card_that_lost_width_is_told() -> None:
    narrow = snapshot(at(2, slot(1, drive(A, "16 GT/s x1", power_state="D3hot"))))
    assert any(change.kind == "verdict" and change.rank is Rank.WORSE for change in diff(AWAKE, narrow).changes)


def test_what_a_sleeping_card_counted_is_counted() -> None:
    (errors,) = diff(AWAKE, asleep(2, {"correctable": {"Bad TLP": 57}})).errors
    assert (errors.finding.events, errors.floor) == (7, False)


def test_a_user_and_then_root() -> None:
    described = at(1, slot(1, drive(A, counters=COUNTED)))
    user, root = taken(described.build().unprivileged()), snapshot(at(2, slot(1, drive(A, counters=COUNTED))))
    for pair in ((user, root), (root, taken(at(3, slot(1, drive(A, counters=COUNTED))).build().unprivileged()))):
        document = diff(*pair)
        assert document.counts == ()
        assert "replaced" not in kinds(document)
        assert exit_status(document) in {ExitStatus.CLEAN, ExitStatus.NOTHING_JUDGED}


def fallen(hours: float) -> Snapshot:
    tree = at(hours, slot(1, drive(A, counters=COUNTED))).build().silent(CARD)
    return taken(tree)


def test_a_card_that_falls_off_the_bus_is_urgent_and_is_not_another_one() -> None:
    document = diff(AWAKE, fallen(2))
    assert any(change.kind == "answers" and change.urgent for change in document.changes)
    assert "replaced" not in kinds(document)
    assert document.counts == ()
    assert exit_status(document) is ExitStatus.URGENT


@pytest.mark.parametrize(("last", "replaced"), [(A, False), (B, True)])
def test_an_identity_is_carried_over_a_snapshot_that_did_not_read_it(last: int, replaced: bool) -> None:
    document = compare([AWAKE, asleep(2), snapshot(at(3, slot(1, drive(last))))])
    assert ("replaced" in kinds(document)) == replaced
    steps = compare([AWAKE, fallen(2), snapshot(at(3, slot(1, drive(last))))])
    assert ("replaced" in kinds(steps)) == replaced


@pytest.mark.parametrize("serial", [0, 2**64 - 1])
def test_a_serial_of_zeros_or_all_ones_is_none(serial: int) -> None:
    before = snapshot(of(slot(1, drive(serial)), slot(2, drive(serial)), slot(3)))
    after = snapshot(of(slot(1), slot(2, drive(serial)), slot(3, drive(serial))))
    assert "moved" not in kinds(diff(before, after))
    assert "replaced" not in kinds(diff(snapshot(of(slot(1, drive(A)))), snapshot(of(slot(1, drive(serial))))))


@pytest.mark.parametrize(
    ("one", "other", "differs"),
    [
        (Identity(serial="a"), Identity(serial="b"), True),
        (Identity(serial="a"), Identity(), False),
        (Identity(vendor_id="0x1", device_id="0x2"), Identity(vendor_id="0x1"), False),
        (Identity(vendor_id="0x1", device_id="0x2"), Identity(vendor_id="0x1", device_id="0x3"), True),
        (Identity(serial="a", device_id="0x2"), Identity(serial="a", device_id="0x3"), False),
        (Identity(device_id="0x2", speaker=(0, 0)), Identity(device_id="0x3", speaker=(0, 1)), False),
        (Identity(vendor_id="0x1"), Identity(vendor_id="0x2"), True),
    ],
)
def test_only_what_was_read_of_both_tells_apart(one: Identity, other: Identity, differs: bool) -> None:
    assert one.differs_from(other) == other.differs_from(one) == differs


BAD = "8 GT/s x2"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (of(slot(1), slot(2)), of(slot(1, drive(A, BAD)), slot(2))),
        (of(slot(1, drive(B)), slot(2)), of(slot(1, drive(A, BAD)), slot(2))),
        (of(slot(1), slot(2, drive(A))), of(slot(1, drive(A, BAD)), slot(2))),
        (of(slot(1, drive(B)), slot(2, drive(A))), of(slot(1, drive(A, BAD)), slot(2, drive(B)))),
    ],
    ids=["anew", "replaced", "moved", "swapped"],
)
def test_a_newcomer_is_judged_as_it_is_now(before: Machine, after: Machine) -> None:
    document = diff(snapshot(before), snapshot(after))
    (found,) = (change for change in document.changes if change.kind == "below capability")
    assert (found.rank, found.place) == (Rank.WORSE, "slot 1 (port 0000:00:01.0)")
    assert "downtrained" in found.sentence
    assert exit_status(document) is ExitStatus.FOUND


def test_a_newcomer_that_does_not_answer_is_urgent() -> None:
    document = diff(snapshot(of(slot(1))), fallen(2))
    assert exit_status(document) is ExitStatus.URGENT


def both_ends(hours: float, ours: int, theirs: int, serial: int = A) -> Snapshot:
    held_by = slot(
        1, drive(serial, counters={"correctable": {"Bad TLP": theirs}}), counters={"correctable": {"Bad TLP": ours}}
    )
    return snapshot(at(hours, held_by))


@pytest.mark.parametrize("serial", [A, B])
def test_a_counter_that_began_anew_resets_itself_alone(serial: int) -> None:
    document = diff(both_ends(1, 100, 100), both_ends(2, 104, 3, serial))
    assert {item.end: (item.count, item.floor) for item in document.counts} == {
        WhichEnd.PORT: (4, False),
        WhichEnd.COMPONENT: (3, True),
    }


def without_counters(hours: float, **changes: Any) -> Snapshot:
    tree = at(hours, slot(1, drive(A, counters=COUNTED)), **changes).build()
    for file in COUNTER_FILES.values():
        tree = tree.with_attribute(CARD, file, None)
    return taken(tree)


def test_counters_that_were_not_read_are_not_zero_and_the_loss_is_told() -> None:
    lost, found = diff(AWAKE, without_counters(2)), diff(without_counters(0.5), AWAKE)
    for document in (lost, found):
        assert document.counts == ()
        assert exit_status(document) is ExitStatus.NOTHING_JUDGED
    assert [change.sentence for change in lost.changes] == ["error counters no longer readable"]
    assert [change.sentence for change in found.changes] == ["error counters not readable before, so not compared"]


def test_a_function_of_a_card_that_is_gone_is_urgent_and_one_that_came_is_told() -> None:
    two = snapshot(of(slot(1, drive(A).also())))
    (gone,) = diff(two, snapshot(of(slot(1, drive(A))))).changes
    assert (gone.kind, gone.urgent) == ("function", True)
    assert "0000:01:00.1" in gone.sentence
    (came,) = diff(snapshot(of(slot(1, drive(A)))), two).changes
    assert (came.kind, came.rank) == ("function", Rank.NEUTRAL)


def virtual(hours: float, count: int, number: int = 2) -> Snapshot:
    tree = at(hours, slot(1, drive(A, virtual_functions=number))).build()
    text = f"BadTLP {count}\nTOTAL_ERR_COR {count}"
    return taken(tree.with_attribute("0000:01:00.1", COUNTER_FILES[Severity.CORRECTABLE], text) if number else tree)


def test_what_a_virtual_function_counts_is_counted_to_its_link() -> None:
    (errors,) = diff(virtual(1, 2), virtual(2, 9)).errors
    assert (errors.finding.events, errors.title) == (7, "slot 1 (port 0000:00:01.0)")
    assert [row.function for row in errors.finding.rows] == ["0000:01:00.1"]


def test_virtual_functions_switched_off_are_no_function_that_is_gone() -> None:
    assert diff(virtual(1, 0), virtual(2, 0, 0)).changes == ()


def test_an_absence_and_an_error_in_the_middle() -> None:
    there, absent = snapshot(at(1, slot(1, drive(A)))), snapshot(at(2, slot(1)))
    again = snapshot(at(3, slot(1, drive(A))))
    document = compare([there, absent, again])
    assert [change.sentence.startswith("between snapshots 1 and 2: ") for change in document.changes] == [True]
    assert exit_status(document) is ExitStatus.URGENT
    noisy = [
        snapshot(at(h, slot(1, drive(A, counters={"fatal": {"Malformed TLP": n}}))))
        for h, n in ((1, 0), (2, 1), (3, 1))
    ]
    assert [errors.finding.events for errors in compare(noisy).errors] == [1]
    assert exit_status(compare(noisy)) is ExitStatus.URGENT


def test_errors_that_went_with_a_reset_in_the_middle_are_counted() -> None:
    counts = [
        snapshot(at(h, slot(1, drive(A, counters={"correctable": {"Bad TLP": n}}))))
        for h, n in ((1, 0), (2, 40), (3, 0))
    ]
    (errors,) = compare(counts).errors
    assert (errors.finding.events, errors.floor) == (40, False)


def test_time_that_runs_backwards_is_told_and_nothing_is_counted() -> None:
    later = snapshot(at(9, slot(1, drive(A, counters={"correctable": {"Bad TLP": 99}}))))
    for before, after in ((later, AWAKE),):
        document = diff(before, after)
        assert document.backwards
        assert document.counts == ()
        assert any("AFTER was taken before BEFORE" in note for note in document.notes)


def test_slot_numbers_that_are_not_unique() -> None:
    def twice(first: Any, second: Any) -> Machine:
        return of(slot(1, first, slot_name="4"), slot(2, second, slot_name="4"))

    document = diff(snapshot(twice(drive(A), drive(B))), snapshot(twice(drive(A), drive(B, BAD))))
    worse = [change.place for change in document.changes if change.rank is Rank.WORSE]
    assert worse
    assert all("0000:00:02.0" in place for place in worse)
    assert diff(snapshot(twice(drive(A), drive(B))), snapshot(twice(drive(A), drive(B)))).empty


def test_corrected_errors_in_flit_mode_exceed_no_limit() -> None:
    def flit(hours: float, count: int) -> Snapshot:
        on = {LinkStatus2.flit_mode_status: True}
        held = card("64 GT/s x4", serial=A, registers=on, counters={"correctable": {"Receiver Error": count}})
        return snapshot(at(hours, root_port("0000:00:01.0", "64 GT/s x4", slot=1, registers=on).holds(held)))

    document = diff(flit(1, 0), flit(2, 900))
    (errors,) = document.errors
    assert not errors.exceeded
    assert exit_status(document) is ExitStatus.CLEAN


def test_a_switch_that_is_gone_with_all_below_it_is_one_finding() -> None:
    full = of(
        root_port("0000:00:01.0", "16 GT/s x4", slot=1).holds(
            switch("16 GT/s x4", port("16 GT/s x4").holds(drive(A)), port("16 GT/s x4").holds(drive(B)))
        )
    )
    document = diff(snapshot(full), snapshot(of(slot(1))))
    (gone,) = document.changes
    assert (gone.kind, gone.urgent) == ("gone", True)
    assert "with 2 places below it" in gone.sentence


def in_domain(domain: str, trained: str = "16 GT/s x4", serial: int | None = A, extra: str | None = None) -> Machine:
    ports = [root_port(f"{domain}:00:01.0", "16 GT/s x4").holds(drive(serial, trained))]
    if extra is not None:
        ports.append(root_port(f"{extra}:00:02.0", "8 GT/s x8").holds(card("8 GT/s x8", device=7)))
    return machine(*ports)


@pytest.mark.parametrize("serial", [A, None])
def test_a_renumbered_domain_without_slot_names_pairs_by_wiring(serial: int | None) -> None:
    before = snapshot(in_domain("10000", serial=serial, extra="0000"))
    assert diff(before, snapshot(in_domain("10001", serial=serial, extra="0000"))).changes == ()
    document = diff(before, snapshot(in_domain("10002", BAD, serial, extra="0000")))
    assert {"speed", "width", "verdict"} <= kinds(document)
    assert not kinds(document) & {"gone", "come", "moved", "replaced"}


def blinded(tree: Tree) -> Tree:
    for name in COUNTER_FILES.values():
        tree = tree.failing(CARD, name)
    return tree


def test_what_was_counted_while_nobody_could_read_it_is_told() -> None:
    """Counters that the middle one of three did not read: the growth is that between those that did."""

    def counting(hours: float, count: int, **changes: Any) -> Machine:
        return at(hours, slot(1, drive(A, counters={"correctable": {"Bad TLP": count}})), **changes)

    first, last = snapshot(counting(1, 5)), snapshot(counting(3, 8))
    blind = taken(blinded(counting(2, 6).build()))
    assert [(item.count, item.floor) for item in compare((first, blind, last)).counts] == [(3, False)]
    assert [(item.count, item.floor) for item in compare((first, blind, blind, last)).counts] == [(3, False)]
    assert compare((first, blind)).counts == ()
    again = snapshot(counting(1, 4, boot_id="another"))
    assert [(item.count, item.floor) for item in compare((first, blind, again)).counts] == [(4, True)]
    other = snapshot(at(3, slot(1, drive(B, counters={"correctable": {"Bad TLP": 7}}))))
    assert [item.count for item in compare((first, blind, other)).counts] == [7]


def unread_serial(address: str, described: Machine) -> Snapshot:
    return taken(described.build().failing(address, "config"))


def test_a_card_that_may_be_elsewhere_is_not_gone() -> None:
    """Two cards swapped, or one moved, where the serial number of one was not read: nobody can say that it is lost."""
    before = snapshot(at(1, slot(1, drive(A)), slot(2, drive(B)), boot_id="one"))
    swapped = at(1, slot(1, drive(B)), slot(2, drive(A)), boot_id="two")
    document = diff(before, unread_serial("0000:02:00.0", swapped))
    assert {"moved", "may have moved"} <= kinds(document)
    assert "gone" not in kinds(document)
    assert exit_status(document) is ExitStatus.NOTHING_JUDGED
    assert kinds(diff(before, snapshot(swapped))) == {"moved"}

    alone = snapshot(at(1, slot(1, drive(A)), slot(2)))
    moved = at(2, slot(1), slot(2, drive(A)))
    assert "may have moved" in kinds(diff(alone, unread_serial("0000:02:00.0", moved)))
    another = at(2, slot(1), slot(2, drive(A, device=0x77)))
    assert {"gone", "come"} <= kinds(diff(alone, unread_serial("0000:02:00.0", another)))
    nameless = snapshot(at(2, slot(1), slot(2, drive(None))))
    assert {"gone", "come"} == kinds(diff(alone, nameless))
    two = at(2, slot(1), slot(2), slot(3, drive(A)))
    lost = diff(before, unread_serial("0000:03:00.0", two))
    assert {"gone", "may have moved"} <= kinds(lost)
    assert exit_status(lost) is ExitStatus.URGENT


@pytest.mark.parametrize(
    ("component", "expected"),
    [
        (Component(names=Names(), functions=("0000:01:02.3", "0000:01:00.0")), Identity(speaker=(2, 3))),
        (Component(names=Names()), Identity()),
        (
            Component(
                names=Names(),
                vendor_id="0x144d",
                device_id="0xa80a",
                subsystem_id="0x1:0x2",
                serial="00-25-38-00-00-00-00-01",
            ),
            Identity(vendor_id="0x144d", device_id="0xa80a", subsystem_id="0x1:0x2", serial="00-25-38-00-00-00-00-01"),
        ),
        (Component(names=Names(), vendor_id="0xffff", device_id="0xffff", subsystem_id="0xffff:0xffff"), Identity()),
        (Component(names=Names(), vendor_id="0x1", serial="device 1"), Identity(vendor_id="0x1")),
        (Component(names=Names(), vendor_id="0x1", serial="ff-ff-ff-ff-ff-ff-ff-ff"), Identity(vendor_id="0x1")),
        (Component(names=Names(), vendor_id="0x1", serial="00-25-38-00-00-00-00"), Identity(vendor_id="0x1")),
    ],
)
def test_what_a_component_is_known_by(component: Component, expected: Identity) -> None:
    assert identity_of(component) == expected
