"""The script for hosts without Python: equal evidence, in every shell, and nothing opened that could stir a device."""

import os
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from fake_sysfs import Machine, card, machine, root_port
from fake_sysfs.demonstration import correlator
from probe import kernel_spellings
from probe.evidence import Evidence, Unread, Why
from probe.host import files
from probe.host.capture import read_notes, script
from probe.host.machine import read_machine
from probe.host.names import PCI_IDS_FILES
from probe.host.opening import open_source
from probe.host.source import Bytes, MemorySource
from tests.conftest import Run

SHELLS = (("sh",), ("busybox", "sh"), ("bash", "--posix"))
ABSENT = [pytest.mark.skipif(shutil.which(shell[0]) is None, reason=f"{shell[0]} is not here") for shell in SHELLS]


@pytest.fixture(params=[pytest.param(shell, marks=mark) for shell, mark in zip(SHELLS, ABSENT, strict=True)])
def shell(request: pytest.FixtureRequest) -> tuple[str, ...]:
    found: tuple[str, ...] = request.param
    return found


def captured(root: Path, out: Path, shell: Sequence[str] = ("sh",)) -> Path:
    """The tar that the script makes of the tree below `root`. A file that must not be opened hangs it."""
    tar = out / "capture.tar"
    done = subprocess.run(
        [*shell, "-s", tar], input=script(), text=True, timeout=60, capture_output=True, check=False,
        env={"PATH": os.environ["PATH"], "LINKPROBE_ROOT": str(root), "TMPDIR": str(out)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert {path.name for path in out.iterdir()} == {"capture.tar"}
    return tar


def evidence(root: Path) -> Evidence:
    """What the reader makes of it, less who read it and when."""
    found = read_machine(open_source(root))
    host = msgspec.structs.replace(found.host, taken_at="", source="", privileged=None)
    return msgspec.structs.replace(found, host=host)


def written(described: Machine, tmp_path: Path) -> Path:
    root = tmp_path / "root"
    described.build().write(root)
    for name in PCI_IDS_FILES:
        (root / name).unlink(missing_ok=True)  # names come from the reading machine
    return root


def out(tmp_path: Path) -> Path:
    folder = tmp_path / "out"
    folder.mkdir()
    return folder


def test_the_demonstration_machine_reads_the_same(shell: tuple[str, ...], tmp_path: Path) -> None:
    root = written(replace(correlator(), sockets={0: 0, 1: 1}), tmp_path)
    (root / "etc").mkdir(exist_ok=True)
    (root / "etc/machine-id").write_text("5c0e5d1ed0bd45cbb6e8d7c6f2a3b4c5\n")
    function = next(root.glob("sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"))
    (function / "hwmon/hwmon3").mkdir(parents=True)
    (function / "hwmon/hwmon3/label").write_text("sampler inlet\n")
    (function / "leds/sampler:locate").mkdir(parents=True)
    expected = evidence(root)
    assert expected.functions[-1].config
    assert any(item.place_names for item in expected.functions)
    assert expected.host.machine_id is not None
    assert expected.host.sockets == {0: 0, 1: 1}
    tar = captured(root, out(tmp_path), shell)
    assert evidence(tar) == expected
    assert b"5c0e5d1ed0bd45cbb6e8d7c6f2a3b4c5" not in tar.read_bytes()  # only what is derived from it


def asleep(state: str) -> Machine:
    return machine(root_port("0000:00:01.0", "16 GT/s x4", slot=1).holds(card("16 GT/s x4", power_state=state)))


@pytest.mark.parametrize("state", sorted(kernel_spellings.ASLEEP))
def test_a_sleeping_device_is_left_asleep(state: str, tmp_path: Path) -> None:
    """Its config space, and in D3cold its link attributes, are pipes here: opening one would hang the script."""
    root = written(asleep(state), tmp_path)
    function = next(root.glob("sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"))
    forbidden = [
        "config",
        "rom",
        "vpd",
        "resource",
        "resource0",
        *(files.FROM_REGISTERS if state == kernel_spellings.DEEPEST_SLEEP else ()),
    ]
    for name in forbidden:
        (function / name).unlink(missing_ok=True)
        os.mkfifo(function / name)
    found = evidence(captured(root, out(tmp_path)))
    (read,) = [item for item in found.functions if item.address == "0000:01:00.0"]
    assert read.config == {}
    told = {item.path.rsplit("/", 1)[1]: item.why for item in read.unread}
    assert told == {name: Why.ASLEEP for name in forbidden if name == "config" or name in files.FROM_REGISTERS}


def test_a_run_time_suspended_device_too(tmp_path: Path) -> None:
    root = written(machine(root_port("0000:00:01.0", "16 GT/s x4").holds(card("16 GT/s x4"))), tmp_path)
    function = next(root.glob("sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"))
    (function / "power").mkdir(exist_ok=True)
    (function / "power/runtime_status").write_text("suspended\n")
    (function / "config").unlink()
    os.mkfifo(function / "config")
    (read,) = [f for f in evidence(captured(root, out(tmp_path))).functions if f.address == "0000:01:00.0"]
    assert read.why_unread("config") is not None


@pytest.mark.parametrize("state", sorted(kernel_spellings.ASLEEP))
def test_a_sleeping_port_is_not_woken_by_what_is_below(state: str, tmp_path: Path) -> None:
    described = machine(root_port("0000:00:01.0", "16 GT/s x4", power_state=state).holds(card("16 GT/s x4")))
    root = written(described, tmp_path)
    function = next(root.glob("sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"))
    for name in (*files.FROM_REGISTERS, *files.FROM_DRIVER, "config"):
        (function / name).unlink(missing_ok=True)
        os.mkfifo(function / name)
    (read,) = [f for f in evidence(captured(root, out(tmp_path))).functions if f.address == "0000:01:00.0"]
    assert {item.why for item in read.unread} == {Why.ASLEEP}
    assert len(read.unread) == len(files.FROM_REGISTERS) + len(files.FROM_DRIVER) + 1


def test_what_could_not_be_read_is_told_as_by_the_reader(tmp_path: Path) -> None:
    root = written(asleep("D0"), tmp_path)
    function = next(root.glob("sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"))
    (function / "aer_dev_fatal").unlink(missing_ok=True)
    (function / "aer_dev_fatal").mkdir()
    assert evidence(captured(root, out(tmp_path))) == evidence(root)


def test_notes() -> None:
    notes = read_notes(
        "taken_at\t2026-03-01T00:00:00+00:00\nprivileged\tyes\nof a later version\twhat\never\n"
        "unread\tsys/a\tPermission denied\nunread\tsys/b\tNo such device\nunread\tsys/c\tleft asleep\nunread\tsys/d\todd\n"
    )
    assert (notes.origin.taken_at, notes.origin.privileged) == ("2026-03-01T00:00:00+00:00", True)
    assert [item.why for item in notes.unread.values()] == [Why.DENIED, Why.GONE, Why.ASLEEP, Why.FAILED]
    assert read_notes("").origin.privileged is None


class Watched(MemorySource):
    """A source that remembers which files it was asked for and had."""

    def __init__(self, files_: dict[str, bytes], links: dict[str, str]) -> None:
        super().__init__(files_, links, "watched")
        self.asked: set[str] = set()

    def text(self, path: str) -> str | Unread:
        self.asked.add(self._follow(path))
        return super().text(path)

    def open(self, path: str) -> Bytes | Unread:
        self.asked.add(self._follow(path))
        return super().open(path)


def test_the_script_takes_every_file_that_the_reader_asks_for(tmp_path: Path) -> None:
    """So that a file which the reader learns to read is not forgotten in the script."""
    tree = correlator().build()
    watched = Watched(dict(tree.files), dict(tree.links))
    read_machine(watched)
    root = written(correlator(), tmp_path)
    tar = open_source(captured(root, out(tmp_path)))
    asked = {path for path in watched.asked if path in tree.files and path not in PCI_IDS_FILES}
    assert len(asked) > 500
    assert {path for path in asked if isinstance(tar.open(path), Unread)} == set()


def test_no_tree_is_one_sentence(tmp_path: Path) -> None:
    done = subprocess.run(
        ["sh", "-s", tmp_path / "x.tar"], input=script(), text=True, capture_output=True, check=False,
        env={"PATH": os.environ["PATH"], "LINKPROBE_ROOT": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 64
    assert done.stderr.count("\n") == 1
    assert "is /sys mounted?" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="shellcheck is not here")
def test_a_checker_of_shell_scripts_finds_nothing() -> None:
    done = subprocess.run(["shellcheck", "-s", "sh", "-"], input=script(), text=True, capture_output=True, check=False)
    assert done.returncode == 0, done.stdout


def test_every_reading_command_takes_the_tar(run: Run, tmp_path: Path) -> None:
    tar = captured(written(correlator(), tmp_path), out(tmp_path))

    assert run("capture-script")[1] == script()
    assert run("audit", tar)[0] == run("audit", "--sysfs", tar)[0] == 1
    assert run("audit", "-", stdin=tar.read_bytes())[0] == 1
    assert run("explain", "0000:01:00.0", tar)[0] == 1  # that link is downtrained
    assert run("snapshot", "--sysfs", tar, "-o", tmp_path / "s.json")[0] == 0
    assert run("diff", tar, tmp_path / "s.json")[:2] == (0, run("diff", tar, tar)[1])
    assert run("history", tar)[0] == 0
    assert run("expect", "write", tar, "-o", tmp_path / "e.toml")[0] == 0
    assert run("expect", "check", tmp_path / "e.toml", tar)[0] == run("audit", tar)[0]
    assert run("report", tar, "-o", tmp_path / "page.html")[0] == 0
    assert run("collect", "--sysfs", tar, "--spool", tmp_path / "spool")[0] == 1  # a first run ends as an audit does
    status, told, _ = run("fleet", "ingest", tar, "--store", tmp_path / "store")
    assert (status, told) == (0, "1 file taken in, 0 known, 0 set aside\n")
