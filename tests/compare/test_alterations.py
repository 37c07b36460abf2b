"""The raw differences of a comparison, complete: who is where, the values of links, those of the machine."""

import pytest

from fake_sysfs import Machine
from probe.compare.changes import Alteration
from probe.compare.diff import compare, diff
from tests.compare.machines import A, B, drive, of, slot, snapshot

FIRST, SECOND = "0000/0/01.0", "0000/0/02.0"
SERIAL_A, SERIAL_B = "serial 00-00-00-00-00-00-00-a1", "serial 00-00-00-00-00-00-00-b2"
HOUR = 3600.0


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (of(slot(1, drive(A))), of(slot(1)), [Alteration(FIRST, "component", SERIAL_A, None)]),
        (of(slot(1)), of(slot(1, drive(A))), [Alteration(FIRST, "component", None, SERIAL_A)]),
        (of(slot(1, drive(A))), of(slot(1, drive(B))), [Alteration(FIRST, "component", SERIAL_A, SERIAL_B)]),
        (of(slot(1), slot(2)), of(slot(1)), [Alteration(SECOND, "port", "there", None)]),
        (of(slot(1)), of(slot(1), slot(2)), [Alteration(SECOND, "port", None, "there")]),
        (
            of(slot(1), slot(2, drive(B))), of(slot(1)),
            [Alteration(SECOND, "port", "there", None), Alteration(SECOND, "component", SERIAL_B, None)],
        ),
        (
            of(slot(1, drive(A)), slot(2)), of(slot(1), slot(2, drive(A))),
            [Alteration(FIRST, "component", SERIAL_A, None), Alteration(SECOND, "component", None, SERIAL_A)],
        ),
        (
            of(slot(1, drive(A))), of(slot(1, drive(A, "16 GT/s x2"))),
            [Alteration(FIRST, "verdict", "full", "downtrained"), Alteration(FIRST, "width", "4", "2")],
        ),
        (of(slot(1, drive(A))), of(slot(1, drive(A))), []),
        (of(slot(1)), of(slot(1)), []),
    ],
)  # fmt: skip
def test_every_difference(before: Machine, after: Machine, expected: list[Alteration]) -> None:
    document = diff(snapshot(before), snapshot(after))
    assert list(document.alterations) == expected
    assert document.empty is (not expected)


def test_a_value_of_the_machine() -> None:
    document = diff(snapshot(of(slot(1)), kernel="6.1"), snapshot(of(slot(1)), kernel="6.12"))
    assert document.alterations == (Alteration("", "kernel", "6.1", "6.12"),)
    assert (document.changes[0].place, document.changes[0].rank) == ("this machine", "neutral")


def test_the_head_of_a_comparison() -> None:
    taken = [
        snapshot(
            of(slot(1, drive(A))), uptime_s=hours * HOUR, boot_id="one", taken_at=f"2026-01-01T0{hours}:00:00+00:00"
        )
        for hours in (1, 2, 4)
    ]
    document = compare(taken)
    assert (document.before_taken_at, document.after_taken_at) == (
        "2026-01-01T01:00:00+00:00",
        "2026-01-01T04:00:00+00:00",
    )
    assert (document.elapsed_s, document.snapshots, document.rebooted, document.backwards) == (
        3 * HOUR,
        3,
        False,
        False,
    )
    assert (document.undecided, document.uncounted, document.notes) == (False, (), ())
    assert document.nothing == "Nothing changed."
    assert document.titles == {FIRST: "slot 1 (port 0000:00:01.0)"}
    assert list(document.components) == [SERIAL_A]
    assert document.capability == {FIRST: "16 GT/s x4"}


def test_what_came_and_went_in_between() -> None:
    there, absent = (of(slot(1, drive(A))), of(slot(1)))
    document = compare([snapshot(item, uptime_s=n * HOUR) for n, item in enumerate((there, absent, there), start=1)])
    (change,) = document.changes
    assert change.sentence.startswith("between snapshots 1 and 2: ")
    assert change.urgent
    twice = compare([snapshot(item, uptime_s=n * HOUR) for n, item in enumerate((there, absent, absent), start=1)])
    assert [item.kind for item in twice.changes] == ["gone"]
    assert not any(item.sentence.startswith("between") for item in twice.changes)


@pytest.mark.parametrize(("before", "after", "words"), [
    ("D0", "D3hot", "awake before, at rest now"), ("D3hot", "D0", "at rest before, awake now"), ("D0", "D0", None),
    ("D3hot", "D3hot", None),
])  # fmt: skip
def test_a_word_for_what_fell_asleep_or_woke_up(before: str, after: str, words: str | None) -> None:
    first, second = (snapshot(of(slot(1, drive(A, power_state=state)))) for state in (before, after))
    notes = [note for note in diff(first, second).notes if "judged under load" in note]
    assert notes == (
        [] if words is None else [f"slot 1 (port 0000:00:01.0): {words}; what it runs at is judged under load."]
    )
