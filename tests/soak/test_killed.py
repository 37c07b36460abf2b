"""A soak with loads and a command killed at any moment, thirty times: nothing goes on running, the record never passed."""

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from probe.exceptions import DocumentError
from probe.soak.journal import Sample
from probe.soak.reading import Recorded
from tests.conftest import Run
from tests.soak import killing

KILLS, WITHIN_S = 30, 1.6


def test_whatever_the_moment_nothing_goes_on_and_the_record_is_read_and_never_passed(tmp_path: Path, run: Run) -> None:
    words = [sys.executable, "-m", "tests.soak.killing", str(tmp_path), str(KILLS), str(WITHIN_S)]
    left = json.loads(subprocess.run(words, check=True, capture_output=True, text=True).stdout)
    assert left == {f"r{number}.jsonl": [] for number in range(KILLS)}
    sampled = 0
    for path in map(tmp_path.joinpath, left):
        status, out, told = run("soak", "close", path, "--json")
        if not path.read_bytes().partition(b"\n")[1]:
            assert (status, out) == (64, "")  # not even the start was whole: there is nothing to judge, which is said
            assert str(path) in told
            continue
        found = json.loads(out)
        assert found["result"] in {"failed", "inconclusive"}
        assert status in {1, 3}
        assert found["complete"] is False
        assert "ended or killed" in found["ended"]
        sampled += sum(isinstance(entry, Sample) for entry in Recorded.at(path))
    assert sampled > KILLS


def test_what_goes_on_is_found(tmp_path: Path) -> None:
    def leaves(path: Path) -> None:
        subprocess.Popen(["sleep", "3"])
        path.touch()
        time.sleep(3)

    assert killing.killed(0, leaves, tmp_path / "r", 0.0, ends_within_s=0.1) == ["sleep 3 "]


def test_a_record_without_a_whole_start_is_said_to_be_none(tmp_path: Path) -> None:
    path = tmp_path / "r"
    path.write_bytes(b'{"type":"start","schema":"linkprobe/soak/1","snap')
    with pytest.raises(DocumentError, match="ends too early"):
        Recorded.at(path)
