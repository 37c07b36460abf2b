"""Snapshots of different machines are not compared unless that was asked for."""

import json
from pathlib import Path

import pytest

from probe.compare.host import another_machine
from probe.documents.files import encode
from probe.evidence import Host
from tests.compare.machines import drive, of, slot, snapshot
from tests.conftest import Run

ONE, OTHER = "1" * 32, "2" * 32


def host(machine_id: str | None = None, **firmware: str) -> Host:
    return Host(taken_at="2026-01-01T00:00:00+00:00", machine_id=machine_id, firmware=firmware)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (host(ONE), host(ONE), None),
        (host(ONE), host(OTHER), "machine id"),
        (host(ONE), host(), None),
        (host(), host(), None),
        (host(ONE, product_name="a"), host(ONE, product_name="b"), None),
        (host(product_name="a"), host(product_name="b"), "product name: a and b"),
        (host(product_name="a"), host(), None),
        (host(ONE, product_name="a"), host(product_name="b"), "product name: a and b"),
        (host(product_serial="S1"), host(product_serial="S2"), "product serial: S1 and S2"),
        (host(ONE, product_serial="S1"), host(OTHER, product_serial="S1"), None),
        (host(ONE, board_serial="Default string"), host(OTHER, board_serial="Default string"), "machine id"),
        (host(ONE, board_serial="0000000"), host(OTHER, board_serial="0000000"), "machine id"),
        (host(board_serial="To be filled by O.E.M."), host(board_serial="S1"), None),
    ],
)
def test_another_machine(before: Host, after: Host, told: str | None) -> None:
    assert another_machine(before, after) == told
    assert (another_machine(after, before) is None) == (told is None)


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Path]:
    paths = tmp_path / "a", tmp_path / "b"
    for path, machine_id in zip(paths, (ONE, OTHER), strict=True):
        path.write_bytes(encode(snapshot(of(slot(1, drive())), machine_id=machine_id, name=path.name)))
    return paths


@pytest.mark.parametrize("command", ["diff", "history"])
def test_refused_unless_asked_for(command: str, two: tuple[Path, Path], run: Run) -> None:
    status, out, told = run(command, *two)
    assert (status, out) == (64, "")
    assert "these are of different machines (a and b; machine id); give --different-machines" in told
    assert told.count("\n") == 1
    status, out, _ = run(command, *two, "--different-machines", "--json")
    assert status == 0
    assert json.loads(out)["snapshots"] == 2
