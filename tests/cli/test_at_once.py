"""Many at once on one machine: audits beside each other, and collect during a soak during a hot-plug."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from fake_sysfs import card, machine, root_port
from probe.documents.files import read_snapshot
from probe.soak.journal import End
from probe.soak.reading import Recorded

TOP = Path(__file__).parents[2]
MANY = 100
SECONDS = 600  # no measure: only that there is an end


@pytest.fixture
def root(tmp_path: Path) -> Path:
    ports = [
        root_port(f"0000:00:0{n}.0", "16 GT/s x4", slot=n, trained="8 GT/s x4" if n == 3 else None).holds(
            card("16 GT/s x4")
        )
        for n in (1, 2, 3)
    ]
    return machine(*ports).build().write(tmp_path / "machine")


def started(*arguments: object) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "probe", *map(str, arguments)], cwd=TOP, text=True, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def without_time(text: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text)
    document["host"].pop("taken_at")
    return document


def test_a_hundred_audits(root: Path) -> None:
    running = [started("audit", "--json", "--sysfs", root) for _ in range(MANY)]
    ended = [(process.communicate(timeout=SECONDS), process.returncode) for process in running]
    assert {status for _, status in ended} == {1}
    assert {err for (_, err), _ in ended} == {""}
    first, *others = (without_time(out) for (out, _), _ in ended)
    assert all(other == first for other in others)


def test_collects_in_one_spool(root: Path, tmp_path: Path) -> None:
    """One of them is at work, the others leave it to that one; whoever comes after finds nothing new."""
    spool = tmp_path / "spool"
    running = [started("collect", "--sysfs", root, "--spool", spool) for _ in range(MANY // 5)]
    ended = [(process.communicate(timeout=SECONDS), process.returncode) for process in running]
    assert {err for (_, err), _ in ended} == {""}
    told = [out for (out, _), _ in ended if out]
    assert len(told) == 1
    assert {status for _, status in ended} <= {0, 1}
    kept = sorted(spool.glob("*.json.gz"))
    assert kept
    for path in kept:
        assert len(read_snapshot(str(path)).links) == 3
    assert [path.name for path in spool.iterdir() if path.name.endswith(".part") or ".tmp" in path.name] == []


def test_collect_during_a_soak_during_a_hot_plug(root: Path, tmp_path: Path) -> None:
    spool, record = tmp_path / "spool", tmp_path / "record.jsonl"
    (function,) = root.glob("devices/*/0000:00:02.0/0000:02:00.0")
    listed = root / "bus/pci/devices/0000:02:00.0"
    leads, away = listed.readlink(), tmp_path / "away"
    soak = started("soak", "--minutes", 0.1, "--interval", 0.05, "--sysfs", root, "-o", record)
    collects = []
    for _ in range(6):
        function.rename(away)
        listed.unlink()
        collects.append(started("collect", "--sysfs", root, "--spool", spool))
        collects[-1].communicate(timeout=SECONDS)
        listed.symlink_to(leads)
        away.rename(function)
        collects.append(started("collect", "--sysfs", root, "--spool", spool))
        collects[-1].communicate(timeout=SECONDS)
    out, err = soak.communicate(timeout=SECONDS)
    assert soak.returncode in {0, 1, 2, 3}, err
    assert "Traceback" not in err + out
    entries = list(Recorded.at(record))
    assert isinstance(entries[-1], End)
    assert {process.returncode for process in collects} <= {0, 1, 2}
    kept = [read_snapshot(str(path)) for path in sorted(spool.glob("*.json.gz"))]
    assert [len(snapshot.evidence.functions) for snapshot in kept] == [5, 6] * 6
    assert [path.name for path in tmp_path.iterdir() if path.name not in {"machine", "spool", "record.jsonl"}] == []
