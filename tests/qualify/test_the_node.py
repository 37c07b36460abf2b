"""The demonstration node qualified end to end on made-up hardware behind real files (FUSE), whole and in pieces.

Killed at moments drawn by chance (the seed is fixed) and gone on with, the record says the same but for times.
"""

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from fake_sysfs.hardware.node import BAD_LANE, LIVE_PORT, LIVE_SLOT

TOP = Path(__file__).parents[2]
MOST_KILLS = 4
PLAN = f"""
schema = "linkprobe/qualify-plan/1"
title = "Slot A2 after its repair"
accept = ["link-loss"]
fields = ["operator"]

[[step]]
kind = "snapshot"
name = "before"
links = ["{LIVE_SLOT}"]

[[step]]
kind = "trainings"
links = ["{LIVE_SLOT}"]
times = 12

[[step]]
kind = "speeds"
links = ["{LIVE_SLOT}"]
seconds = 0.05

[[step]]
kind = "margins"
links = ["{LIVE_SLOT}"]
seconds = 0.02

[[step]]
kind = "command"
run = ["/bin/sh", "-c", "sleep 0.5; echo the lab was here"]

[[step]]
kind = "soak"
minutes = 0.05
interval_s = 0.1
links = ["{LIVE_SLOT}"]

[[step]]
kind = "snapshot"
name = "after"
judged = false

[[step]]
kind = "comparison"
before = "before"
after = "after"
"""
TIMES = {
    "began_at", "ended_at", "last_at", "taken_at", "seconds", "times_begun", "evidence_lines", "parts", "notes", "digests",
    "uptime_s", "load_average", "bands", "confidence", "hottest_c", "source",
}  # fmt: skip
"""What a run in pieces says otherwise: moments, lengths, lines, that it was in pieces, and the folder of its tree."""


@contextmanager
def served(folder: Path) -> Iterator[Path]:
    """The node as files; what its client did wrong is told in the end."""
    where, mistakes = folder / "root", folder / "mistakes.json"
    where.mkdir(parents=True)
    command = [
        sys.executable,
        "-m",
        "fake_sysfs.hardware.mounted",
        "fake_sysfs.hardware.node:node",
        str(where),
        str(mistakes),
    ]
    server = subprocess.Popen(command, cwd=TOP)
    while not (where / "sys").exists():
        assert server.poll() is None, "the model is not served"
        time.sleep(0.02)
    try:
        yield where / "sys"
    finally:
        subprocess.run(["fusermount3", "-u", str(where)], check=True)
        server.wait()
    assert json.loads(mistakes.read_text()) == []


@pytest.fixture(autouse=True)
def _fuse() -> None:
    if not os.access("/dev/fuse", os.W_OK):
        if os.environ.get("LINKPROBE_GUEST") == "required":
            pytest.fail("/dev/fuse cannot be used, and LINKPROBE_GUEST asks for it")
        pytest.skip("/dev/fuse cannot be used here")


def command(folder: Path, sys_tree: Path) -> list[str]:
    return [
        sys.executable, "-m", "probe", "qualify", str(folder / "plan.toml"), "--sysfs", str(sys_tree), "-o",
        str(folder / "record.json"), "--go", "--accept", "link-loss", "--field", "operator=Ada",
    ]  # fmt: skip


def begin(folder: Path, sys_tree: Path) -> "subprocess.Popen[bytes]":
    environment = {**os.environ, "XDG_STATE_HOME": str(folder / "state"), "HOME": str(folder)}
    with (folder / "told").open("ab") as told:
        return subprocess.Popen(command(folder, sys_tree), cwd=TOP, env=environment, stdout=told, stderr=told)


def record(folder: Path) -> Any:
    return json.loads((folder / "record.json").read_text())


def qualified(folder: Path, chance: random.Random | None = None) -> int:
    """Carry out the plan; with chance, killed again and again. The exit status of the last."""
    folder.mkdir()
    (folder / "plan.toml").write_text(PLAN)
    with served(folder / "node") as sys_tree:
        for _ in range(MOST_KILLS if chance is not None else 0):
            process = begin(folder, sys_tree)
            if killed(process, folder, chance or random.Random()):
                return process.wait()
        return begin(folder, sys_tree).wait(120)


def killed(process: "subprocess.Popen[bytes]", folder: Path, chance: random.Random) -> bool:
    """Kill it some lines of the journal later, in the middle of whatever it does then; True where it ended before."""
    journal = folder / "record.json.journal"
    wanted = lines(journal) + chance.randint(1, 6)
    while process.poll() is None and lines(journal) < wanted:
        time.sleep(0.01)
    try:
        process.wait(chance.uniform(0.0, 0.8))
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.wait()
        return False
    return True


def lines(journal: Path) -> int:
    return journal.read_bytes().count(b"\n") if journal.exists() else 0


def timeless(value: Any) -> Any:
    """The same without what times say."""
    if isinstance(value, dict):
        return {name: timeless(item) for name, item in value.items() if name not in TIMES}
    return [timeless(item) for item in value] if isinstance(value, list) else value


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if not os.access("/dev/fuse", os.W_OK):
        pytest.skip("/dev/fuse cannot be used here")
    folder = tmp_path_factory.mktemp("node") / "whole"
    assert qualified(folder) == 1, (folder / "told").read_text()
    return folder


def test_the_bad_lane_is_found_and_named(whole: Path) -> None:
    judged = record(whole)["judged"]
    results = {step["name"]: step["result"] for step in judged["steps"]}
    assert results == {
        "before": "passed", "trainings": "passed", "speeds": "passed", "margins": "failed", "command": "passed",
        "soak": "inconclusive", "after": "passed", "comparison": "passed",
    }  # fmt: skip
    (margins,) = (step for step in judged["steps"] if step["name"] == "margins")
    (link,) = margins["links"]
    assert link["downstream_port"] == LIVE_PORT
    assert f"receiver 1, lane {BAD_LANE} is narrower than its fellows" in link["reasons"][0]
    (ours,) = (link for link in judged["links"] if link["downstream_port"] == LIVE_PORT)
    assert ours["by_kind"] == {
        "snapshot": "passed", "trainings": "passed", "speeds": "passed", "margins": "failed", "soak": "inconclusive",
    }  # fmt: skip
    assert judged["commands"][0]["lines"] == ["the lab was here"]


def test_an_order_to_end_in_the_middle_of_margining_is_heeded_and_gone_on_with(whole: Path, tmp_path: Path) -> None:
    folder = tmp_path / "ended"
    folder.mkdir()
    (folder / "plan.toml").write_text(PLAN)
    with served(folder / "node") as sys_tree:
        process = begin(folder, sys_tree)
        until = time.monotonic() + 120
        while b"at once" not in (folder / "told").read_bytes():  # receivers are being measured
            assert process.poll() is None, (folder / "told").read_text()
            assert time.monotonic() < until
            time.sleep(0.02)
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 3
        assert begin(folder, sys_tree).wait(120) == 1
    found = record(folder)["judged"]
    assert {step["name"]: step["times_begun"] for step in found["steps"]}["margins"] == 2
    assert "A part was ended by SIGTERM" in found["notes"][1]
    assert timeless(found) == timeless(record(whole)["judged"])


@pytest.mark.parametrize("seed", [1, 2])
def test_killed_and_gone_on_with_the_record_is_the_same_but_for_times(whole: Path, tmp_path: Path, seed: int) -> None:
    folder = tmp_path / "pieces"
    assert qualified(folder, random.Random(seed)) == 1, (folder / "told").read_text()
    parts = record(folder)["judged"]["parts"]
    assert len(parts) > 1
    assert {part["cause"] for part in parts[1:]} == {"the program was ended or killed"}
    assert timeless(record(folder)["judged"]) == timeless(record(whole)["judged"])
    done = subprocess.run(
        [sys.executable, "-m", "probe", "verify", str(folder / "record.json")], cwd=TOP, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout.split()[0]) == (0, "sound")
