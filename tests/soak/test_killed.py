"""A soak killed at any moment, thirty times: the record is read, and never passed."""

import os
import random
import signal
import subprocess
import time
from pathlib import Path

import pytest

from probe.exceptions import DocumentError
from probe.result import Result
from probe.soak.journal import Sample
from probe.soak.reading import Recorded
from probe.soak.record import record
from tests.soak.test_soak import Machine, command

KILLS = 30


def killed(machine: Machine, path: Path, seconds: float) -> None:
    """A soak that is killed so long after its record was there."""
    process = subprocess.Popen(
        command(machine.sys, path, "--minutes", "5", "--covers", "all"),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    while not path.exists():
        assert process.poll() is None
        time.sleep(0.002)
    time.sleep(seconds)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()


def test_whatever_the_moment_the_record_is_read_and_never_passed(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    chance = random.Random(1)
    sampled = 0
    for number in range(KILLS):
        path = tmp_path / f"r{number}"
        killed(machine, path, chance.uniform(0.0, 0.6))
        if not path.read_bytes().partition(b"\n")[1]:
            continue  # not even the start was whole: there is nothing to judge, which is said
        found = record(Recorded.at(path))
        sampled += sum(isinstance(entry, Sample) for entry in Recorded.at(path))
        assert found.result is not Result.PASSED
        assert not found.complete
    assert sampled > KILLS


def test_a_record_without_a_whole_start_is_said_to_be_none(tmp_path: Path) -> None:
    path = tmp_path / "r"
    path.write_bytes(b'{"type":"start","schema":"linkprobe/soak/1","snap')
    with pytest.raises(DocumentError, match="ends too early"):
        Recorded.at(path)
