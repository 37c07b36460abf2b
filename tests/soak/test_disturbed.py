"""Soaks that are disturbed: by a person, by the system, by a clock. The record is whole, and says what happened."""

import json
import os
import pty
import signal
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from probe.audit.snapshot import take
from probe.host.machine import read_machine
from probe.host.opening import open_source
from probe.soak.journal import Cause, End, Gap
from probe.soak.reading import read_entries
from probe.soak.run import Soak
from probe.soak.setup import Setup
from probe.soak.writing import Journal
from tests.conftest import Run
from tests.observe.clocks import ScriptedClock
from tests.soak.test_soak import PORT, Machine, _wait_for_samples, command, process_that_tells, runs


def watched(tmp_path: Path, clock: ScriptedClock) -> list[Any]:
    """What is recorded in a minute by this clock."""
    machine = Machine(tmp_path)
    taken = take(read_machine(open_source(machine.sys)))
    links = tuple(link for link in taken.links if link.downstream_port == PORT)
    setup = Setup(sys=str(machine.sys), snapshot=taken, links=links, planned_s=60.0, live=False)
    with closing(Journal.create(tmp_path / "x")) as opened:
        Soak(setup, clock, opened, lambda _: None).run(lambda: None)
    return read_entries(tmp_path / "x")


def test_a_program_that_was_stopped_leaves_a_gap(tmp_path: Path) -> None:
    clock = ScriptedClock()
    clock.at(10.5, lambda: clock.stop(20.0))
    (gap,) = (entry for entry in watched(tmp_path, clock) if isinstance(entry, Gap))
    assert (gap.since, gap.t) == (10.0, 30.5)
    assert gap.why == "the program was stopped or held up for 20 s"


def test_a_host_that_was_suspended_leaves_a_gap(tmp_path: Path) -> None:
    clock = ScriptedClock()
    clock.at(10.5, lambda: clock.suspend(20.0))
    (gap,) = (entry for entry in watched(tmp_path, clock) if isinstance(entry, Gap))
    assert gap.why == "the host was suspended for 20 s"


def test_a_calendar_that_was_set_moves_nothing(tmp_path: Path) -> None:
    clock = ScriptedClock()
    clock.at(10.5, lambda: setattr(clock, "calendar_ahead", clock.calendar_ahead - 3600.0))
    found = watched(tmp_path, clock)
    assert not [entry for entry in found if isinstance(entry, Gap)]
    (event,) = (entry for entry in found if getattr(entry, "kind", "") == "calendar")
    assert (event.t, event.sentence[:37]) == (11.0, "the calendar was set back by 3600 s; ")
    assert found[-1].t == 60.0


def started(machine: Machine, tmp_path: Path, *arguments: str, **streams: Any) -> subprocess.Popen[bytes]:
    """A soak that has taken some samples, with a command whose process number is in the file `number`."""
    process = subprocess.Popen(
        command(machine.sys, tmp_path / "r", *arguments, "--", *process_that_tells(tmp_path / "number")), **streams
    )
    _wait_for_samples(process, tmp_path / "r")
    return process


def ending(tmp_path: Path) -> End:
    end = read_entries(tmp_path / "r")[-1]
    assert isinstance(end, End)
    assert not runs(tmp_path / "number")
    return end


def test_three_interruptions_leave_a_whole_record(tmp_path: Path) -> None:
    process = started(
        Machine(tmp_path), tmp_path, "--minutes", "5", stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    for _ in range(3):
        process.send_signal(signal.SIGINT)
    process.wait()
    end = ending(tmp_path)
    assert (end.cause, end.complete) == (Cause.INTERRUPTED, False)
    assert end.snapshot is not None


def test_a_terminal_that_is_closed_leaves_a_whole_record(tmp_path: Path) -> None:
    ours, its = pty.openpty()
    process = started(
        Machine(tmp_path), tmp_path, "--minutes", "5",
        stdin=its, stdout=its, stderr=its, start_new_session=True, preexec_fn=_takes_its_terminal,
    )  # fmt: skip
    os.close(its)
    os.close(ours)  # the kernel sends SIGHUP
    assert process.wait(60) == 3
    assert ending(tmp_path).why == "ended by SIGHUP"


def _takes_its_terminal() -> None:
    os.close(os.open(os.ttyname(0), os.O_RDWR))  # the first terminal that the leader of a session opens is its own


def test_a_reader_that_has_gone_ends_nothing(tmp_path: Path) -> None:
    process = started(Machine(tmp_path), tmp_path, "--minutes", "0.1", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    process.stderr.close()
    assert process.wait(60) == 3  # not the 0 of a program that had nothing to report
    assert ending(tmp_path).why == "the planned time was over"


def test_a_record_that_is_being_written_is_left_alone(tmp_path: Path, run: Run) -> None:
    process = started(
        Machine(tmp_path), tmp_path, "--minutes", "5", stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    status, out, err = run("soak", "close", tmp_path / "r")
    assert (status, out) == (64, "")
    assert "is of a soak that still runs" in err
    process.send_signal(signal.SIGTERM)
    process.wait()
    assert run("soak", "close", tmp_path / "r")[0] == 3
    assert ending(tmp_path).why == "ended by SIGTERM"


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MiB."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(place)]
    if subprocess.run(mounted, capture_output=True, check=False).returncode:
        pytest.skip("nothing can be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", place], check=True)


def test_a_disk_that_is_full_is_why_it_ended(small: Path, tmp_path: Path) -> None:
    process = subprocess.Popen(
        command(Machine(tmp_path).sys, small / "r", "--minutes", "5", "--json"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    _wait_for_samples(process, small / "r")
    others = os.open(small / "others", os.O_CREAT | os.O_WRONLY)
    while True:  # whatever room there is
        try:
            os.write(others, bytes(4096))
        except OSError:
            break
    out, _ = process.communicate(timeout=120)
    document = json.loads(out)
    assert process.returncode == 3
    assert document["complete"] is False
    assert document["ended"] == (
        "the record could not be written any more: the journal cannot be written (No space left on device)"
    )
    end = read_entries(small / "r")[-1]
    assert isinstance(end, End)
    assert end.cause is Cause.RECORD
