"""Events between samples, and errors between counters."""

from typing import Any

from probe.observe.sampler import Reading
from probe.soak.tracking import LinkTrack

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
    track = LinkTrack("place", (16.0, 4))
    return [(event.kind, event.bad) for t, item in enumerate(readings) for event in track.take(float(t), item)]


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


def test_power_states() -> None:
    assert kinds(read(), read(power_state="D3hot"), read()) == [("power", False), ("power", False)]


def test_time_in_each_state() -> None:
    track = LinkTrack("place", (16.0, 4))
    for t, speed in ((0.0, 2.5), (1.0, 16.0), (4.0, 16.0)):
        track.take(t, read(speed))
    assert dict(track.time_in) == {(2.5, 4): 1.0, (16.0, 4): 3.0}


KEY = ("component", "00.0", "correctable", "Bad TLP")


def test_counts_grow_and_begin_anew() -> None:
    track = LinkTrack("place", (16.0, 4))
    track.begin({KEY: 5})
    assert [item.count for item in track.count(1.0, {KEY: 7})] == [2]
    assert track.count(2.0, {KEY: 7}) == []
    assert [item.count for item in track.count(3.0, {KEY: 3})] == [3]
