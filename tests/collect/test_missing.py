"""What is missing, and what counts as being back."""

from pathlib import Path

import pytest

from fake_sysfs import Component, Machine
from probe.collect.missing import Missing
from probe.compare.identity import Identity
from tests.collect.test_collect import collect, tree
from tests.compare.machines import A, B, drive, of, slot
from tests.conftest import Run


def holding(card: Component | None) -> Machine:
    return of(slot(1, drive(9)), slot(2) if card is None else slot(2, card), slot(3))


@pytest.mark.parametrize(
    ("went", "came", "status"),
    [
        (drive(A), drive(A), 0),
        (drive(A), drive(A, power_state="D3cold"), 0),
        (drive(None), drive(None), 0),
        (drive(None), drive(None, power_state="D3hot"), 0),
        (drive(0), drive(0), 0),
        (drive(2**64 - 1), drive(2**64 - 1), 0),
        (drive(A), drive(B), 2),
        (drive(A), drive(None, vendor=0x4321), 2),
    ],
)
def test_it_is_back(went: Component, came: Component, status: int, run: Run, tmp_path: Path) -> None:
    spool = tmp_path / "spool"
    steps = (holding(went), holding(None), holding(came), holding(came))
    roots = [tree(tmp_path / f"step{number}", described) for number, described in enumerate(steps)]
    assert [collect(run, root, spool)[0] for root in roots[:2]] == [0, 2]
    found = [collect(run, root, spool)[0] for root in roots[2:]]
    assert [item in ({2} if status == 2 else {0, 3}) for item in found] == [True, True]


def test_a_note_of_an_older_version_is_understood() -> None:
    serial, kind = Missing("slot 2", "serial aa", "then"), Missing("slot 2", "0x1:0x2", "then")
    assert serial.is_back({"x": Identity(serial="aa")})
    assert not serial.is_back({"x": Identity(serial="bb")})
    assert not kind.is_back({"x": Identity(vendor_id="0x1", device_id="0x2")})
