"""Places found again where controllers got other numbers, by what is wired below them and by names of slots."""

import pytest

from fake_sysfs import Component, Port, machine, root_port
from probe.audit.snapshot import Snapshot
from probe.compare.alignment import aligned, identities
from probe.compare.comparable import comparable
from probe.compare.diff import diff
from tests.compare.machines import A, B, C, drive, of, slot, snapshot

HOUR = 3600.0


def at(address: str, holding: Component | None = None, **changes: object) -> Port:
    made = root_port(address, "16 GT/s x4", **changes)
    return made if holding is None else made.holds(holding)


def keys(*snapshots: Snapshot) -> list[dict[str, str]]:
    """The key of each place by the address of its port, in each snapshot."""
    states = aligned([comparable(item) for item in snapshots])
    return [{str(place.link.downstream_port): key for key, place in state.places.items()} for state in states]


def two(first: str, second: str, *held: Component | None) -> Snapshot:
    ports = [at(f"{first}:00:01.0", held[0]), at(f"{first}:00:02.0", held[1]), at(f"{second}:00:01.0", held[2])]
    return snapshot(machine(*ports))


def kinds(before: Snapshot, after: Snapshot) -> set[str]:
    return {change.kind for change in diff(before, after).changes}


def test_a_domain_that_got_another_number_is_followed_by_what_is_below() -> None:
    before, after = keys(
        two("0001", "0002", drive(A), drive(B), drive(C)), two("0001", "0005", drive(A), drive(B), drive(C))
    )
    assert after["0005:00:01.0"] == before["0002:00:01.0"]
    assert after["0001:00:01.0"] == before["0001:00:01.0"]
    assert (
        kinds(two("0001", "0002", drive(A), drive(B), drive(C)), two("0001", "0005", drive(A), drive(B), drive(C)))
        == set()
    )


def test_domains_that_changed_numbers_among_themselves_are_other_places() -> None:
    """The same numbers before and after: nothing says that a controller was renumbered, so the cards moved."""
    before = snapshot(machine(at("0001:00:01.0", drive(A)), at("0002:00:01.0", drive(B))))
    after = snapshot(machine(at("0001:00:01.0", drive(B)), at("0002:00:01.0", drive(A))))
    first, second = keys(before, after)
    assert first == second
    assert kinds(before, after) == {"moved"}


def test_serial_numbers_weigh_more_than_numbers_of_controllers() -> None:
    """0001 is gone, 0002 holds what 0001 held: it is the one."""
    before = snapshot(machine(at("0001:00:01.0", drive(A)), at("0002:00:01.0", drive(B))))
    after = snapshot(machine(at("0002:00:01.0", drive(A)), at("0003:00:01.0", drive(B))))
    first, second = keys(before, after)
    assert second["0002:00:01.0"] == first["0001:00:01.0"]
    assert second["0003:00:01.0"] == first["0002:00:01.0"]
    assert kinds(before, after) == set()


def test_another_card_is_no_sign_of_the_same_controller() -> None:
    before = snapshot(machine(at("0001:00:01.0", drive(A))))
    after = snapshot(machine(at("0005:00:01.0", drive(B, vendor=0x9999))))
    first, second = keys(before, after)
    assert second["0005:00:01.0"] not in first.values()
    assert kinds(before, after) == {"gone", "come"}


def test_wiring_alone_tells_where_no_serial_was_read() -> None:
    before = snapshot(
        machine(at("0001:00:01.0", drive(None)), at("0001:00:02.0", drive(None)), at("0002:00:05.0", drive(None)))
    )
    after = snapshot(
        machine(at("0003:00:01.0", drive(None)), at("0003:00:02.0", drive(None)), at("0002:00:05.0", drive(None)))
    )
    first, second = keys(before, after)
    assert second["0003:00:01.0"] == first["0001:00:01.0"]
    assert second["0003:00:02.0"] == first["0001:00:02.0"]
    assert second["0002:00:05.0"] == first["0002:00:05.0"]


def test_a_controller_wired_otherwise_is_another_one() -> None:
    before = snapshot(machine(at("0001:00:01.0"), at("0001:00:02.0"), at("0001:00:03.0")))
    after = snapshot(machine(at("0004:00:07.0")))
    first, second = keys(before, after)
    assert set(second.values()).isdisjoint(first.values())


def test_a_number_that_a_new_controller_took_over_makes_a_new_key() -> None:
    """The places of 0001 went on as 0004; what is 0001 now was never seen, though its wiring reads as theirs."""
    before = snapshot(machine(at("0001:00:01.0", drive(A))))
    after = snapshot(machine(at("0001:00:01.0", drive(C, vendor=0x9999)), at("0004:00:01.0", drive(A))))
    first, second = keys(before, after)
    assert second["0004:00:01.0"] == first["0001:00:01.0"]
    assert second["0001:00:01.0"] == f"{first['0001:00:01.0']}#2"
    assert kinds(before, after) == {"come"}


@pytest.mark.parametrize(("name", "followed"), [("BAY 1", True), ("BAY 2", False)])
def test_a_place_that_lost_its_way_is_found_by_a_name_that_only_it_has(name: str, *, followed: bool) -> None:
    """A slot directory alone names it: its Slot Capabilities give the number 0, which names nothing."""

    def named(address: str, called: str) -> Snapshot:
        return snapshot(machine(at("0000:00:01.0", drive(B)), at(address, drive(A), slot=0, slot_name=called)))

    first, second = keys(named("0000:00:02.0", "BAY 1"), named("0000:00:06.0", name))
    assert (second["0000:00:06.0"] == first["0000:00:02.0"]) is followed


def test_keys_last_over_three_snapshots() -> None:
    one, other = two("0001", "0002", drive(A), drive(B), drive(C)), two("0001", "0005", drive(A), drive(B), drive(C))
    first, _, third = keys(one, other, one)
    assert first == third


def test_what_was_known_before_fills_what_was_not_read() -> None:
    known = identities(comparable(snapshot(of(slot(1, drive(A))))))
    (state,) = aligned([comparable(snapshot(of(slot(1, drive(None)))))], known)
    (place,) = state.places.values()
    assert place.identity is not None
    assert place.identity.serial == "00-00-00-00-00-00-00-a1"
    other = drive(None, vendor=0x9999)
    (state,) = aligned([comparable(snapshot(of(slot(1, other))))], known)
    (place,) = state.places.values()
    assert place.identity is not None
    assert place.identity.serial is None


def test_a_serial_that_is_read_elsewhere_now_is_not_carried_on() -> None:
    before = snapshot(of(slot(1, drive(A)), slot(2)))
    after = snapshot(of(slot(1, drive(None)), slot(2, drive(A))))
    _, state = aligned([comparable(before), comparable(after)])
    by_title = {place.title: place.identity for place in state.places.values()}
    serials = [identity.serial for identity in by_title.values() if identity is not None]
    assert serials == [None, "00-00-00-00-00-00-00-a1"]
    kept = snapshot(of(slot(1, drive(None)), slot(2)))
    _, state = aligned([comparable(before), comparable(kept)])
    assert [i.serial for i in (place.identity for place in state.places.values()) if i] == ["00-00-00-00-00-00-00-a1"]


def test_of_controllers_that_look_alike_the_one_of_the_same_number_is_the_same() -> None:
    before = snapshot(machine(at("0001:00:01.0", drive(None)), at("0002:00:01.0", drive(None))))
    after = snapshot(machine(at("0002:00:01.0", drive(None)), at("0003:00:01.0", drive(None))))
    first, second = keys(before, after)
    assert second["0002:00:01.0"] == first["0002:00:01.0"]
    assert second["0003:00:01.0"] == first["0001:00:01.0"]


def test_what_is_not_there_weighs_against_a_controller() -> None:
    """0001 and 0002 have a place in common with 0003; 0002 lacks two that 0003 has, 0001 lacks none."""
    before = snapshot(machine(*(at(f"0001:00:0{n}.0") for n in (1, 2, 3)), at("0002:00:01.0")))
    after = snapshot(machine(*(at(f"0003:00:0{n}.0") for n in (1, 2, 3))))
    first, second = keys(before, after)
    assert [second[f"0003:00:0{n}.0"] for n in (1, 2, 3)] == [first[f"0001:00:0{n}.0"] for n in (1, 2, 3)]
