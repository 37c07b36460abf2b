"""Events between samples, and errors between counters."""

from typing import Any

from probe.errors.counts import CounterKey
from probe.links.link import WhichEnd
from probe.observe.events import CountedErrors, LinkEvent
from probe.observe.sampler import Reading
from probe.observe.tracking import LinkTrack
from probe.registers.errors import Severity

FULL = Reading(16.0, 4, managed=False, lanes=frozenset(), power_state="D0", temperature_c=None, present=True)


def read(speed: float | None = 16.0, width: int | None = 4, **changes: Any) -> Reading:
    values: dict[str, Any] = {
        "managed": False,
        "lanes": frozenset(),
        "power_state": "D0",
        "temperature_c": None,
        "present": True,
    } | changes
    return Reading(speed, width, **values)


def kinds(*readings: Reading) -> list[tuple[str, bool]]:
    track = LinkTrack("place", {})
    found = [event for t, item in enumerate(readings) for event in track.take(float(t), item, None)]
    return [(event.kind, event.bad) for event in found if isinstance(event, LinkEvent)]


def test_nothing_happens() -> None:
    assert kinds(read(), read(), read()) == []


def test_changes_of_state() -> None:
    assert kinds(read(), read(2.5), read()) == [("state", False), ("state", False)]
    assert kinds(read(), read(width=2)) == [("state", True)]
    assert kinds(read(), read(None, None), read()) == [("link down", True), ("link up", False)]


def test_a_drop_between_two_samples_is_seen_by_its_bit() -> None:
    assert kinds(read(), read(managed=True), read(managed=True), read(), read(managed=True)) == [
        ("retrained", False),
        ("retrained", False),
    ]


def test_lanes_and_presence() -> None:
    assert (
        kinds(read(), read(lanes=frozenset({1})), read(lanes=frozenset({1, 2})), read(lanes=frozenset({1, 2})))
        == [("lane error", True)] * 2
    )
    assert kinds(read(), read(present=False), read()) == [("gone", True), ("back", False)]
    assert kinds(read(present=False), read(present=False)) == [("gone", True)]  # since the snapshot


def test_power_states() -> None:
    assert kinds(read(), read(power_state="D3hot"), read()) == [("power", False), ("power", False)]


KEY = CounterKey(WhichEnd.COMPONENT, "0000:01:00.0", Severity.CORRECTABLE, "Bad TLP")


def counted(track: LinkTrack, count: int | None) -> list[int]:
    found = track.take(1.0, FULL, None if count is None else {KEY: count})
    return [item.count for item in found if isinstance(item, CountedErrors)]


def test_counts_grow_and_begin_anew() -> None:
    track = LinkTrack("place", {KEY: 5})
    assert counted(track, 7) == [2]
    assert counted(track, 7) == []
    assert counted(track, None) == []
    assert counted(track, 3) == [3]
