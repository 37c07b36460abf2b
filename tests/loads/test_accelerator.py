"""The accelerator load against a made-up driver whose rates are known exactly."""

import subprocess
import sys
import threading
import time
from collections import defaultdict
from itertools import islice, pairwise
from pathlib import Path

import pytest

import probe.loads.kinds.accelerator_peers
from probe.loads.catalogue import find
from probe.loads.interface import MIB, Options
from probe.loads.phases import MEMORY, VERIFIED, Schedule
from probe.loads.processes import Workers
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Mismatch, Pass

RATE = 20e9  # as tests.conftest sets it
BLOCK = MIB


def driven(*words: str, passes: int, planned_s: float = 32.0) -> tuple[list[Pass | Mismatch], list[str | None]]:
    """What these loads report until there are so many passes, and how they ended."""
    reported: list[Pass | Mismatch] = []
    enough = threading.Event()

    def report(entry: Pass | Mismatch) -> None:
        reported.append(entry)
        if sum(isinstance(item, Pass) for item in reported) >= passes:
            enough.set()

    loads = [pair for word in words for pair in find(word)]
    workers = Workers(loads, {}, Options(block=BLOCK), report, planned_s=planned_s)
    workers.prepare()
    workers.go()
    enough.wait(60)
    ends = [failure for _, failure in workers.stop()]
    return reported, ends


def test_rates_are_the_devices_whatever_the_processor_does(accelerators: pytest.MonkeyPatch) -> None:
    reported, ends = driven("accelerator", passes=16, planned_s=8.0)
    passes = [item for item in reported if isinstance(item, Pass)]
    assert ends == [None, None]
    assert len(passes) == len(reported)
    rates = defaultdict(set)
    for item in passes:
        rates[item.target, item.direction].add(round(item.bytes / item.seconds / RATE, 2))
    for target in ("0000:01:00.0", "0000:02:00.0"):
        assert rates[target, FROM_HOST] == rates[target, TO_HOST] == {1.0}
        for direction in (BOTH, VERIFIED):  # two ways at once; how far they overlap is the host's doing
            assert 1.0 <= min(rates[target, direction]) <= max(rates[target, direction]) <= 2.0
    assert {item.verified for item in passes if item.direction == VERIFIED} == {True}


def test_links_work_in_step(accelerators: pytest.MonkeyPatch) -> None:
    reported, _ = driven("accelerator", "memory", passes=20, planned_s=10.0)
    steps = defaultdict(set)
    for item in reported:
        assert isinstance(item, Pass)
        steps[item.phase_number].add((item.phase, item.target))
    assert all(len({phase for phase, _ in step}) == 1 for step in steps.values())
    cycle = [next(iter(steps[number]))[0] for number in range(5)]
    assert cycle == [MEMORY, FROM_HOST, TO_HOST, BOTH, VERIFIED]
    assert [{target for _, target in steps[number]} for number in range(2)] == [
        {"host memory"},
        {"0000:01:00.0", "0000:02:00.0"},
    ]


def test_a_bit_that_flips_on_the_way_back_is_found_at_its_place(accelerators: pytest.MonkeyPatch) -> None:
    accelerators.setenv("FAKE_CUDA_FLIPS", "7")
    reported, ends = driven("accelerator:0", passes=8, planned_s=8.0)
    wrong = [item for item in reported if isinstance(item, Mismatch)]
    assert ends == [None]
    assert {(item.offset % BLOCK, item.bits) for item in wrong} == {(12_345, 1)}
    assert len({item.offset for item in wrong}) > 1
    assert all(item.expected != item.found for item in wrong)
    assert sum(item.times for item in wrong) > len(wrong)  # many in a second are told as few, and none is lost


def test_phases_of_a_short_run_are_shorter_and_memory_takes_little() -> None:
    names = (TO_HOST, MEMORY, VERIFIED, FROM_HOST, BOTH)
    assert Schedule.of(names, 86_400.0).cycle == (
        (MEMORY, 1.0), (FROM_HOST, 10.0), (TO_HOST, 10.0), (BOTH, 10.0), (VERIFIED, 10.0),
    )  # fmt: skip
    assert Schedule.of(names, 90.0).cycle[1] == (FROM_HOST, 2.25)
    assert Schedule.of(names, 6.0).cycle[0] == (MEMORY, 0.5)
    numbers = list(islice(Schedule.of(names, 90.0).phases(100.0), 7))
    assert [phase.name for phase in numbers][4:6] == [VERIFIED, MEMORY]
    assert all(earlier.end_s == later.begin_s for earlier, later in pairwise(numbers))


SOAK = """
import os, sys, time
import probe.loads.kinds.accelerator_peers
from probe.loads.catalogue import find
from probe.loads.interface import Options
from probe.loads.processes import Workers
workers = Workers(find("memory") * 2, {}, Options(block=1 << 20), lambda _: None)
workers.prepare()
workers.go()
print(*[member._process.pid for member in workers.members], flush=True)
time.sleep(300)
"""


def test_no_load_outlives_what_started_it() -> None:
    process = subprocess.Popen([sys.executable, "-c", SOAK], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    numbers = [int(text) for text in process.stdout.readline().split()]
    assert len(numbers) == 2
    assert all(_runs(number) for number in numbers)
    process.kill()
    process.wait()
    process.stdout.close()
    until = time.monotonic() + 20
    while any(_runs(number) for number in numbers):
        assert time.monotonic() < until, "a load lives on"
        time.sleep(0.05)


def _runs(number: int) -> bool:
    """Whether a process runs; one that ended and was not waited for does not."""
    try:
        return Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_peers_each_way_and_both(accelerators: pytest.MonkeyPatch) -> None:
    reported, ends = driven("accelerator-peers:0-1", passes=6, planned_s=8.0)
    passes = [item for item in reported if isinstance(item, Pass)]
    one, other = "0000:01:00.0", "0000:02:00.0"
    assert ends == [None]
    assert len(passes) == len(reported)
    assert {item.direction for item in passes} == {f"{one} to {other}", f"{other} to {one}", BOTH}
    rates = {item.direction: item.bytes / item.seconds / RATE for item in passes}
    assert rates[f"{one} to {other}"] == pytest.approx(1.0, rel=1e-3)
    assert 1.0 <= rates[BOTH] <= 2.0


@pytest.mark.parametrize(
    ("otherwise", "address", "note"),
    [(False, "0000:01:00.0", None), (True, None, "own: no PCI Express link"), (None, None, "is not known")],
)
def test_only_peers_that_are_known_to_go_over_links_load_them(
    otherwise: bool | None, address: str | None, note: str | None, accelerators: pytest.MonkeyPatch
) -> None:
    accelerators.setattr(probe.loads.kinds.accelerator_peers, "joined_otherwise", lambda *_: otherwise)
    ((_, pair),) = find("accelerator-peers")
    assert pair.label == "0000:01:00.0-0000:02:00.0"
    assert (pair.address, pair.peer) == (address, "0000:02:00.0" if address else None)
    assert (note is None) == (pair.note is None)
    assert note is None or note in (pair.note or "")
