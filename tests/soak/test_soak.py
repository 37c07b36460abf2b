"""Whole soaks on a made-up tree whose files change while it runs, in this process and as a person runs them."""

import itertools
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from fake_sysfs import Tree, card, machine, root_port
from probe.audit.snapshot import take
from probe.exceptions import InputError
from probe.host.machine import read_machine
from probe.host.opening import open_source
from probe.loads.catalogue import find
from probe.loads.interface import Options
from probe.observe.clock import BootClock
from probe.registers.link import LinkStatus
from probe.soak.reading import read_entries
from probe.soak.record import Record, record
from probe.soak.run import Soak
from probe.soak.setup import Setup, Stops
from probe.soak.writing import Journal
from tests.compare.machines import drive, of, slot
from tests.conftest import Run
from tests.observe.clocks import ScriptedClock

Happening = Callable[[], object]

PORT, CARD = "0000:00:01.0", "0000:01:00.0"
STATUS_AT = 0x60 + LinkStatus.offset


def tree() -> Tree:
    return of(slot(1, drive(None)), slot(2, drive(None, "8 GT/s x4"))).build()


class Machine:
    """A tree on disk, and what happens to it."""

    def __init__(self, root: Path) -> None:
        self.sys = tree().write(root)
        self.port = self.sys / "devices/pci0000:00" / PORT
        self.card = self.port / CARD

    def status(self, raw: int) -> None:
        with (self.port / "config").open("r+b", buffering=0) as file:
            file.seek(STATUS_AT)
            file.write(raw.to_bytes(2, "little"))

    def counter(self, name: str, text: str) -> None:
        with (self.card / name).open("r+b", buffering=0) as file:
            file.write(text.encode())


FAST_WIDE, SLOW, DOWN, RETRAINED = 0x3044, 0x3041, 0x1000, 0x7044


def soaked(
    machine: Machine, tmp_path: Path, *happenings: Happening, seconds: float = 10.0,
    between: Happening = lambda: None, **changes: Any,
) -> Record:  # fmt: skip
    """A soak of one link of the machine, by a clock of its own; the first happening comes 2.5 s in, then one a second.

    `between` comes after the snapshot and before the first sample.
    """
    taken = take(read_machine(open_source(machine.sys)))
    between()
    links = tuple(link for link in taken.links if link.downstream_port == PORT)
    setup = Setup(sys=str(machine.sys), snapshot=taken, links=links, planned_s=seconds, live=False, **changes)
    path = tmp_path / "x.jsonl"
    clock = ScriptedClock(*((2.5 + number, happening) for number, happening in enumerate(happenings)))
    with closing(Journal.create(path)) as opened:
        Soak(setup, clock, opened, lambda _: None).run(lambda: take(read_machine(open_source(machine.sys))))
    return record(read_entries(path))


def test_a_quiet_time(tmp_path: Path) -> None:
    found = soaked(Machine(tmp_path), tmp_path)
    assert (found.verdict, found.ended, found.complete) == ("inconclusive", "the planned time was over", True)
    assert found.reasons[0] == "no link was under load"
    assert (found.samples, found.elapsed_s) == (11, 10.0)


def test_what_happens_is_recorded_with_its_time(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    found = soaked(
        machine,
        tmp_path,
        lambda: machine.status(SLOW),
        lambda: machine.status(FAST_WIDE),
        lambda: machine.status(RETRAINED),
    )
    assert [(event.kind, event.t) for event in found.events] == [("state", 3.0), ("state", 4.0), ("retrained", 5.0)]
    assert found.links[0].transitions == 3
    assert str(found.links[0].worst) == "2.5 GT/s x4"


def test_errors_are_counted_and_stop_it_where_asked(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    found = soaked(
        machine,
        tmp_path,
        lambda: machine.counter("aer_dev_fatal", "Undefined 0\nDLP 1"),
        stops=Stops(fatal=True),
    )
    assert found.ended == "stopped at the first uncorrectable error, as asked"
    assert found.elapsed_s == 3.0
    assert found.urgent
    assert found.links[0].errors[0].rows[0].error == "Data Link Protocol Error"


def test_a_rate_stops_it_where_asked(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    text = "RxErr 0\nBadTLP 7"
    found = soaked(machine, tmp_path, lambda: machine.counter("aer_dev_correctable", text), stops=Stops(rate=True))
    assert "passed 6/2h, as asked" in found.ended
    assert found.elapsed_s == 3.0


def test_a_link_that_goes_down_stops_it_where_asked(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    found = soaked(machine, tmp_path, lambda: machine.status(DOWN), stops=Stops(link_down=True))
    assert "as a link went down, as asked" in found.ended
    assert (found.urgent, found.elapsed_s) == (True, 3.0)


def test_a_component_that_vanishes(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    found = soaked(machine, tmp_path, lambda: machine.card.rename(tmp_path / "gone"))
    assert "gone" in {event.kind for event in found.events}
    assert found.urgent


def test_what_comes_between_the_snapshot_and_the_first_sample(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.counter("aer_dev_fatal", "Undefined 0\nDLP 1")
    text = "Undefined 0\nDLP 3"
    found = soaked(machine, tmp_path, between=lambda: machine.counter("aer_dev_fatal", text))
    assert [finding.events for finding in found.links[0].errors] == [2]


def command(sys_root: Path, record_path: Path, *arguments: str) -> list[str]:
    return [
        sys.executable, "-m", "probe", "soak", "--sysfs", str(sys_root), "--link", PORT, "--interval", "0.1",
        "-o", str(record_path), *arguments,
    ]  # fmt: skip


def test_a_command_is_the_load(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    done = subprocess.run(
        command(machine.sys, tmp_path / "r", "--json", "--", "sh", "-c", "echo working; sleep 0.5; exit 3"),
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    document = json.loads(done.stdout)
    assert done.returncode == 1
    assert document["ended"] == "the load ended"
    assert document["complete"] is True
    (load,) = document["load_results"]
    assert (load["status"], load["output"]) == (3, "working\n")


def process_that_tells(path: Path) -> tuple[str, ...]:
    """A command that writes its process number to a file and then sleeps."""
    return ("sh", "-c", f"echo $$ > {path}.new && mv {path}.new {path}; exec sleep 300")


def runs(path: Path) -> bool:
    """Whether the process of that file still runs."""
    try:
        os.kill(int(path.read_text()), 0)
    except ProcessLookupError:
        return False
    return True


def test_interrupted_by_a_person(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    number = tmp_path / "number"
    process = subprocess.Popen(
        command(machine.sys, tmp_path / "r", "--minutes", "5", "--json", "--", *process_that_tells(number)),
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    _wait_for_samples(process, tmp_path / "r")
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate()
    document = json.loads(out)
    assert document["ended"] == "ended by SIGINT"
    assert document["samples"] > 0
    assert document["result"] == "inconclusive"
    assert not runs(number)


def _wait_for_samples(process: subprocess.Popen[Any], path: Path) -> None:
    """Until three samples are recorded, however long a busy machine takes, or the process ends."""
    while not (path.exists() and path.read_bytes().count(b'"sample"') >= 3):
        assert process.poll() is None, "it ended without a sample"
        time.sleep(0.02)


def test_killed_and_closed(tmp_path: Path, run: Run) -> None:
    machine = Machine(tmp_path)
    process = subprocess.Popen(
        command(machine.sys, tmp_path / "r", "--minutes", "5"), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    _wait_for_samples(process, tmp_path / "r")
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    status, out, _ = run("soak", "close", tmp_path / "r", "--json")
    document = json.loads(out)
    assert status == 3
    assert document["complete"] is False
    assert document["samples"] >= 3
    assert "after the last sample" in document["ended"]
    assert run("soak", "close", tmp_path / "r")[1].startswith("inconclusive")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("close",), "soak close: takes one record"),
        (("close", "/absent"), "/absent: cannot be read"),
        (("--stop-on", "rain"), "--stop-on rain: no such condition"),
        (("--link", "nowhere"), "--link nowhere: names no link"),
        (("--covers", "nowhere"), "--covers nowhere: names no link"),
        (("--load", "memory"), "drives this host"),
        (("--minutes", "0"), "--minutes 0: is not above 0"),
        (("--minutes", "nan"), "--minutes nan: is not above 0"),
        (("--minutes", "inf"), "--minutes inf: is not above 0"),
        (("--minutes", "-3"), "--minutes -3: is not above 0"),
        (("--accept", "anything"), "--accept anything: is no word of consent"),
        (("--interval", "nan"), "--interval nan: is not above 0"),
        (("--rate", "inf"), "--rate inf: is not above 0"),
    ],
)
def test_bad_input(arguments: tuple[str, ...], told: str, run: Run, tmp_path: Path) -> None:
    sys_root = Machine(tmp_path).sys
    record_path = tmp_path / "r"
    status, out, err = run("soak", "--sysfs", sys_root, "--minutes", "0.01", "-o", record_path, *arguments)
    assert (status, out) == (64, "")
    assert told in err
    assert not record_path.exists()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--load", "nonsense"), "--load nonsense: no such load"),
        (("--load", "storage-round-trip:/dev/nvme9n9"), "/dev/nvme9n9: is no block device"),
        (("--load", "storage-read:/dev/nvme9n9"), "/dev/nvme9n9: cannot be used"),
        (("--load", "memory", "--block", str(1 << 50)), f"--block {1 << 50}: the loads would take"),
    ],
)
def test_a_load_that_is_refused_leaves_no_record(
    arguments: tuple[str, ...], told: str, run: Run, tmp_path: Path
) -> None:
    status, out, err = run("soak", "--minutes", "0.01", "-o", tmp_path / "r", *arguments)
    assert (status, out) == (64, "")
    assert told in err
    assert not (tmp_path / "r").exists()
    assert not Path("/dev/nvme9n9").exists()


def test_progress_in_plain_lines(tmp_path: Path, run: Run) -> None:
    sys_root = Machine(tmp_path).sys
    status, out, err = run(
        "soak", "--sysfs", sys_root, "--minutes", "0.01", "--covers", "all", "-o", tmp_path / "r", "--", "sleep", "1"
    )
    assert status == 1  # one link of it trained to 8 GT/s
    assert "Without an error this time shows a bit error ratio below" in " ".join(err.split())
    assert "A load can bring a faulty host down" in err
    assert out.startswith("failed  machine")


def test_a_full_disk_leaves_no_load_behind_and_a_record_that_closes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine, number = Machine(tmp_path), tmp_path / "number"
    real = Journal.append
    appended = itertools.count()

    def full(self: Journal, *entries: Any) -> None:
        if next(appended) > 5:
            while not number.exists():  # the load has begun
                time.sleep(0.01)
            raise InputError("the journal cannot be written (No space left on device)", where="x", remedy="make room")
        real(self, *entries)

    monkeypatch.setattr(Journal, "append", full)
    with pytest.raises(InputError, match="No space left"):
        soaked(machine, tmp_path, command=process_that_tells(number), seconds=9)
    assert not runs(number)
    found = record(read_entries(tmp_path / "x.jsonl"))
    assert (found.complete, found.verdict) == (False, "inconclusive")


def accelerated(tmp_path: Path, seconds: float) -> Record:
    """A soak of two accelerators at once, by the clock of the host, on links of a made-up tree."""
    ports = [root_port(f"0000:00:0{number}.0", "32 GT/s x16", slot=number) for number in (1, 2)]
    held = machine(*(port.holds(card("32 GT/s x16")) for port in ports)).build().write(tmp_path)
    taken = take(read_machine(open_source(held)))
    loads = tuple(pair for word in ("accelerator", "memory") for pair in find(word))
    setup = Setup(
        sys=str(held), snapshot=taken, links=taken.links, planned_s=seconds, live=False, loads=loads,
        options=Options(block=1 << 20), interval_s=0.2,
    )  # fmt: skip
    with closing(Journal.create(tmp_path / "x.jsonl")) as opened:
        Soak(setup, BootClock(), opened, lambda _: None).run(lambda: take(read_machine(open_source(held))))
    return record(read_entries(tmp_path / "x.jsonl"))


def test_two_accelerators_in_step(tmp_path: Path, accelerators: pytest.MonkeyPatch) -> None:
    found = accelerated(tmp_path, 5.0)
    assert (found.result, found.reasons) == (
        "passed",
        ("every link that was asked for ran at its best under load, without a finding",),
    )
    assert [(link.loaded, link.result) for link in found.links] == [(True, "passed")] * 2
    measured = {(item.target, item.direction): item.median_bytes_s for item in found.throughput}
    for key in (("0000:01:00.0", "to host"), ("0000:02:00.0", "from host")):
        assert measured[key] == pytest.approx(20e9, rel=1e-3)
    sums = {item.phase: item for item in found.together}
    assert set(sums) == {"from host", "to host", "both", "there and back"}
    assert sums["from host"].median_bytes_s == pytest.approx(40e9, rel=1e-3)
    assert [entry.failure for entry in found.load_results] == [None] * 3


def test_data_that_an_accelerator_changes_fails(tmp_path: Path, accelerators: pytest.MonkeyPatch) -> None:
    accelerators.setenv("FAKE_CUDA_FLIPS", "50")
    found = accelerated(tmp_path, 3.0)
    assert found.result == "failed"
    assert all("data came back changed" in reason for reason in found.reasons)
