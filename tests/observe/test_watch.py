"""Watching: events as they happen, a line each."""

import gc
import json
import signal
import subprocess
import sys
import threading
import tracemalloc
from pathlib import Path
from typing import Any

from probe.audit.snapshot import take
from probe.host.machine import read_machine
from probe.host.opening import open_source
from probe.observe.watching import Watch, WatchedEvent
from tests.observe.clocks import ScriptedClock
from tests.soak.test_soak import FAST_WIDE, PORT, SLOW, Machine


def test_what_happens_is_told_once(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    taken = take(read_machine(open_source(machine.sys)))
    links = [link for link in taken.links if link.downstream_port == PORT]
    clock = ScriptedClock(
        (1.5, lambda: machine.status(SLOW)),
        (2.5, lambda: machine.counter("aer_dev_correctable", "RxErr 3\nBadTLP 0")),
        (3.5, lambda: machine.status(FAST_WIDE)),
    )
    watch = Watch(str(machine.sys), links, taken.evidence, clock, live=False)
    events: list[WatchedEvent] = []
    for _ in range(6):
        events += watch.step()
        clock.wait(1.0)
    watch.close()
    assert [event.kind for event in events] == ["state", "errors", "state"]
    assert events[1].sentence == "3 correctable: Receiver Error at the component"
    assert {event.address for event in events} == {"0000:01:00.0"}
    (link,) = watch.standings.values()
    assert (link.correctable, str(link.state), link.now()) == (3, "16 GT/s x4", "errors")


def first_line(machine: Machine, *arguments: str) -> str:
    """The first line that a watch prints of a link whose speed goes up and down until there is one."""
    command = [sys.executable, "-m", "probe", "watch", "--sysfs", str(machine.sys), "--link", PORT, *arguments]
    process: subprocess.Popen[Any] = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    told = threading.Event()

    def up_and_down() -> None:
        while not told.wait(0.1):
            machine.status(SLOW)
            told.wait(0.1)
            machine.status(FAST_WIDE)

    worker = threading.Thread(target=up_and_down)
    worker.start()
    try:
        assert process.stdout is not None
        line: str = process.stdout.readline()
    finally:
        told.set()
        worker.join()
        process.send_signal(signal.SIGKILL)
        process.communicate()
    return line


def test_the_stream(tmp_path: Path) -> None:
    found = json.loads(first_line(Machine(tmp_path), "--json", "--interval", "0.05"))
    assert (found["kind"], found["address"]) == ("state", "0000:01:00.0")


def test_plain_lines_in_a_pipe(tmp_path: Path) -> None:
    assert "slot 1  went from " in first_line(Machine(tmp_path), "--interval", "0.05")


def test_memory_stays_flat_over_days(tmp_path: Path) -> None:
    """Samples a second of a link that errs and changes its state all the time; a day of them and two weigh the same."""
    machine = Machine(tmp_path)
    taken = take(read_machine(open_source(machine.sys)))
    clock = ScriptedClock()
    watch = Watch(str(machine.sys), taken.links, taken.evidence, clock, live=False)
    told = 0

    def samples(count: int) -> int:
        nonlocal told
        for number in range(count):
            if number % 10 == 0:
                machine.status(SLOW if number % 20 else FAST_WIDE)
                machine.counter("aer_dev_correctable", f"RxErr {told}\nBadTLP 0")
            told += len(watch.step())
            clock.wait(60.0)
        gc.collect()
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    samples(300)
    first = samples(700)
    second = samples(2_000)
    tracemalloc.stop()
    watch.close()
    assert told > 200
    assert second - first < 20_000  # bytes: nothing is kept of a sample
