"""Margins held against an earlier record of the same link, and against links of its kind."""

from typing import Any

import pytest
from msgspec.structs import replace

from fake_sysfs.hardware import LaneFault, Receiver, Wall
from fake_sysfs.hardware.rehearsed import target_of
from probe.active.margining.document import Limits, MarginDocument, MarginedLink
from probe.active.margining.running import against
from probe.compare.identity import Identity
from probe.evidence import Host
from probe.result import Result
from tests.active.margin_bench import margin, model

HOST = Host(taken_at="2026-03-01T10:00:00+00:00", name="mast-01", machine_id="1" * 32)
PORT_ALONE = frozenset({"port"})


def measured(reach: int, number: int = 1, day: int = 1, **receiver: Any) -> MarginDocument:
    """Two lanes whose eyes reach so many of 40 steps, on another machine for each number."""
    eye = Wall(left=reach, right=reach)
    settings: dict[str, Any] = {"timing_steps": 40, "voltage": False, "eye": eye}
    described = Receiver(**(settings | receiver))
    done = margin(model({1: described}, best="16 GT/s x2"), ends=PORT_ALONE, seconds=0.02)
    host = replace(
        HOST, name=f"mast-{number:02}", machine_id=f"{number:032}", taken_at=f"2026-03-{day:02}T10:00:00+00:00"
    )
    return replace(done.document, host=host)


def held(now: MarginDocument, *earlier: MarginDocument, limits: Limits = Limits()) -> MarginedLink:  # noqa: B008 - a value
    (link,) = against(now.host, now.settings, now.links, earlier, limits)
    return link


def test_a_link_names_its_place_its_component_and_its_port() -> None:
    (link,) = measured(20).links
    target = target_of(model({1: Receiver()}, best="16 GT/s x2"))
    assert link.place_id == target.document.place_id != ""
    assert link.component.vendor_id == "0x1234"
    assert link.port_kind == "0x1234:0x1000"


def test_two_lanes_alone_cannot_be_compared() -> None:
    assert held(measured(20)).result is Result.INCONCLUSIVE


def test_an_earlier_record_of_the_same_link_is_something_to_hold_it_against() -> None:
    link = held(measured(20, day=2), measured(20))
    assert link.result is Result.PASSED
    assert link.reasons[0] == "no lane is narrower than in the record of 2026-03-01T10:00:00+00:00"


def test_narrower_than_in_the_newest_earlier_record() -> None:
    link = held(measured(20, day=3), measured(12, day=1), measured(30, day=2))
    assert link.result is Result.FAILED
    assert "narrower than in the record of 2026-03-02" in link.reasons[0]
    assert "receiver 1, lane 0: left 30 before, 20 steps now; right 30 before, 20 steps now" in link.reasons[0]
    wider = held(measured(30, day=3), measured(12, day=1))
    assert wider.result is Result.PASSED


def test_another_card_in_the_place_has_no_earlier_record_here() -> None:
    def with_card(document: MarginDocument, serial: str) -> MarginDocument:
        return replace(
            document, links=tuple(replace(link, component=Identity(serial=serial)) for link in document.links)
        )

    link = held(with_card(measured(20, day=2), "00-01"), with_card(measured(30), "00-02"))
    assert link.held_against.earlier_at is None


def test_a_record_that_was_measured_in_another_way_neither_passes_nor_fails() -> None:
    other = measured(30)
    other = replace(other, settings=replace(other.settings, seconds=9.0))
    link = held(measured(20, day=2), other)
    assert (link.result, link.held_against.comparable) == (Result.INCONCLUSIVE, False)


def test_a_lane_that_the_record_has_and_this_has_not() -> None:
    link = held(measured(20, day=2, faults={1: LaneFault(silent=True)}), measured(20))
    assert link.result is Result.INCONCLUSIVE


def test_a_link_that_is_narrower_than_its_kind() -> None:
    peers = [measured(30 + number % 3, number) for number in range(2, 9)]
    link = held(measured(18), *peers)
    assert link.result is Result.FAILED
    assert (
        "receiver 1, left: the middle lane has 0.18 UI, 0.13 UI short of the median 0.31 UI of 8 links"
        in link.reasons[0]
    )
    (left, _) = link.held_against.peers
    assert (left.odd, left.narrower, left.links, left.unit) == (True, True, 8, "UI")
    good = held(measured(30), *peers)
    assert good.result is Result.PASSED
    assert "its middle lanes are not narrower than those of 7 links of its kind" in good.reasons


def test_fewer_than_four_of_a_kind_say_nothing() -> None:
    link = held(measured(18), measured(30, 2), measured(30, 3))
    assert (link.result, link.held_against.peers) == (Result.INCONCLUSIVE, ())


def test_one_link_that_was_measured_often_counts_once() -> None:
    often = [measured(30, 2, day) for day in range(1, 9)]
    assert held(measured(18), *often).held_against.peers == ()


@pytest.mark.parametrize("change", [{"port_kind": "0x1:0x2"}, {"speed_gts": 32.0}, {"port_kind": None}])
def test_links_of_another_kind_are_no_peers(change: dict[str, Any]) -> None:
    peers = [measured(30, number) for number in range(2, 6)]
    others = [replace(item, links=tuple(replace(link, **change) for link in item.links)) for item in peers]
    assert held(measured(18), *others).held_against.peers == ()


def test_ranges_that_are_not_told_are_compared_in_steps_of_one_range() -> None:
    peers = [measured(30, number, timing_offset=0) for number in range(2, 6)]
    link = held(measured(12, timing_offset=0), *peers)
    assert {item.unit for item in link.held_against.peers} == {"steps"}
    assert link.result is Result.FAILED
    finer = [measured(30, number, timing_offset=0, timing_steps=60) for number in range(2, 6)]
    assert held(measured(12, timing_offset=0), *finer).held_against.peers == ()


def test_links_of_one_run_are_each_others_peers() -> None:
    (first,) = measured(30).links
    places = [replace(first, place_id=f"0.{number}", downstream_port=f"0000:00:{number:02x}.0") for number in range(4)]
    (narrow,) = measured(12).links
    document = measured(30)
    links = against(document.host, document.settings, [*places, replace(narrow, place_id="0.9")], (), Limits())
    assert [link.result for link in links] == [Result.PASSED] * 4 + [Result.FAILED]


def test_a_lane_wider_than_its_fellows_is_named_and_no_failure() -> None:
    described = Receiver(timing_steps=40, voltage=False, eye=Wall(left=10, right=10), eyes={3: Wall(left=30, right=10)})
    done = margin(model({1: described}), ends=PORT_ALONE, seconds=0.02)
    assert done.link.result is Result.PASSED
    assert (
        "receiver 1, lane 3 is wider than its fellows: left 30 steps, 20 past their median 10" in done.link.reasons[-1]
    )
