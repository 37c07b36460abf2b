"""The program itself on the model behind real files (FUSE): what it opens, reads and writes are files, as on a machine."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from fake_sysfs import card, machine, root_port
from fake_sysfs.hardware import FakeClock, HardwareModel, LinkPlan, Receiver, Training, Wall
from fake_sysfs.hardware.rehearsed import COMPONENT, PORT

TOP = Path(__file__).parents[2]
EYE = Wall(left=5, right=6, up=9, down=11)


def two_lanes(clock: FakeClock) -> HardwareModel:
    """What the server is told to serve: a 16 GT/s x2 link with a wall at known steps, and trainings that come up."""
    port = root_port(PORT, "16 GT/s x2", slot=1, margining=True, hot_plug=False)
    tree = machine(port.holds(card("16 GT/s x2", margining=True))).build()
    receiver = Receiver(eye=EYE)
    plan = LinkPlan(component=COMPONENT, receivers={1: receiver, 6: receiver}, trainings=[Training(seconds=0.05)] * 20)
    return HardwareModel(tree, {PORT: plan}, clock)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Path]:
    """The root of a served tree; in the end it is unmounted."""
    if not os.access("/dev/fuse", os.W_OK):
        if os.environ.get("LINKPROBE_GUEST") == "required":
            pytest.fail("/dev/fuse cannot be used, and LINKPROBE_GUEST asks for it")
        pytest.skip("/dev/fuse cannot be used here")
    where, mistakes = tmp_path / "root", tmp_path / "mistakes.json"
    where.mkdir()
    here = f"{__name__}:two_lanes"
    command = [sys.executable, "-m", "fake_sysfs.hardware.mounted", here, str(where), str(mistakes)]
    server = subprocess.Popen(command, cwd=TOP)
    while not (where / "sys").exists():
        assert server.poll() is None, "the model is not served"
        time.sleep(0.02)
    yield where
    subprocess.run(["fusermount3", "-u", str(where)], check=True)
    server.wait()
    assert json.loads(mistakes.read_text()) == []


def state_of(served: Path) -> dict[str, str]:
    """The environment of a run: its journals stay in this test's folder."""
    return {**os.environ, "XDG_STATE_HOME": str(served.parent / "state"), "HOME": str(served.parent)}


def ours(served: Path, *words: str) -> tuple[int, str]:
    tree = () if words[0] == "put-back" else ("--sysfs", str(served / "sys"))
    command = [sys.executable, "-m", "probe", *words, *tree]
    done = subprocess.run(command, cwd=TOP, env=state_of(served), capture_output=True, text=True, check=False)
    return done.returncode, done.stdout or done.stderr


def test_a_wall_is_found_exactly_through_files(served: Path) -> None:
    status, text = ours(served, "margin", COMPONENT, "--go", "--json", "--seconds", "0.05", "--lanes", "0-1")
    document = json.loads(text)
    (link,) = document["links"]
    found = {
        (receiver["number"], lane["lane"]): tuple(lane[way]["steps"] for way in ("left", "right", "up", "down"))
        for receiver in link["receivers"]
        for lane in receiver["lanes"]
    }
    assert found == dict.fromkeys([(1, 0), (1, 1), (6, 0), (6, 1)], (5, 6, 9, 11))
    assert (document["restored"], status) == (True, 3)  # without a limit, two lanes cannot be compared
    earlier = served.parent / "earlier.json"
    earlier.write_text(text)
    status, text = ours(served, "margin", COMPONENT, "--go", "--json", "--seconds", "0.05", "--against", str(earlier))
    assert (status, json.loads(text)["result"]) == (0, "passed")


def test_the_plan_writes_nothing(served: Path) -> None:
    status, text = ours(served, "margin", COMPONENT)
    assert (status, "nothing was written" in text) == (0, True)


def test_trainings_run_on_the_same_files(served: Path) -> None:
    status, text = ours(served, "train", COMPONENT, "--times", "3", "--go", "--accept", "link-loss", "--json")
    document = json.loads(text)
    assert (document["links"][0]["of"], document["restored"], status) == (3, True, 0)


def test_killed_in_the_middle_it_is_put_back(served: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "probe",
        "margin",
        COMPONENT,
        "--go",
        "--seconds",
        "5",
        "--sysfs",
        str(served / "sys"),
    ]
    with subprocess.Popen(
        command, cwd=TOP, env=state_of(served), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stderr is not None
        next(line for line in running.stderr if "at once" in line)  # receivers are being measured
        running.send_signal(signal.SIGKILL)
    assert ours(served, "margin", COMPONENT, "--go", "--seconds", "0.05")[0] == 64  # it notices what was left behind
    assert ours(served, "put-back")[0] == 0
