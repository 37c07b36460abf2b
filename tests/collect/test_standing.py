"""What stands from the beginning: told by the first run, and a machine of which nothing can be judged."""

from pathlib import Path

import pytest

from fake_sysfs import Machine, card, machine, root_port
from tests.compare.machines import drive, of, slot
from tests.conftest import Run

LAME = of(slot(1, drive(trained="8 GT/s x4")), slot(2, drive(2)))
ALONE = machine(
    root_port("0000:00:01.0", "16 GT/s x4", slot=1).holds(card("16 GT/s x4", attributes={"removable": "removable"}))
)


def collect(run: Run, described: Machine, tmp_path: Path) -> tuple[int, list[str]]:
    root = tmp_path / "host/sys"
    if not root.exists():
        root = described.build().write(tmp_path / "host")
    status, out, err = run("collect", "--sysfs", root, "--spool", tmp_path / "spool")
    assert err == ""
    return status, out.splitlines()


def test_the_first_run_tells_what_stands_and_the_next_ones_only_what_changes(run: Run, tmp_path: Path) -> None:
    status, lines = collect(run, LAME, tmp_path)
    assert status == 1
    assert lines == ["slot 1 (port 0000:00:01.0): trained to 8 GT/s x4 where both ends can do 16 GT/s x4"]
    assert collect(run, LAME, tmp_path) == (0, [])


def test_the_first_run_is_urgent_where_an_audit_is(run: Run, tmp_path: Path) -> None:
    fatal = of(slot(1, drive(counters={"fatal": {"Data Link Protocol Error": 1}})))
    status, lines = collect(run, fatal, tmp_path)
    assert status == 2
    assert lines[0].startswith("urgent, slot 1 ")


@pytest.mark.parametrize("runs", [1, 2])
def test_nothing_to_judge_is_3_as_in_an_audit(runs: int, run: Run, tmp_path: Path) -> None:
    root = ALONE.build().write(tmp_path / "seen")
    assert run("audit", "--sysfs", root)[0] == 3
    for _ in range(runs):
        found = collect(run, ALONE, tmp_path)
    assert found == (3, [])
