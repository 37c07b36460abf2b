"""The loads on files: what they read, write, verify and refuse."""

import os
import threading
from pathlib import Path
from typing import Any

import pytest

from probe.exceptions import InputError
from probe.host.numa import processors
from probe.loads import find, known
from probe.loads.interface import Context, Load, Options, Steps, Target
from probe.loads.memory import MemoryBaseline
from probe.loads.phases import Schedule
from probe.loads.results import Mismatch, Pass
from probe.loads.storage_read import StorageRead
from probe.loads.storage_round_trip import StorageRoundTrip, pattern

BLOCK = 256 << 10


def run(load: Load, target: Target, *, passes: int = 2, **options: Any) -> list[Pass | Mismatch]:
    """Run until so many passes were reported."""
    reported: list[Pass | Mismatch] = []
    stop = threading.Event()

    def report(entry: Pass | Mismatch) -> None:
        reported.append(entry)
        if sum(isinstance(item, Pass) for item in reported) >= passes:
            stop.set()

    steps = Steps(schedule=Schedule.of(load.phases, 1.0), works_in=load.phases)
    context = Context("x", "place", Options(**options), stop, report, lambda: 0.0, steps)
    timer = threading.Timer(20, stop.set)
    timer.start()
    try:
        load.run(target, context)
    finally:
        timer.cancel()
    return reported


def test_all_are_found_and_say_what_they_do() -> None:
    assert set(known()) == {"accelerator", "accelerator-peers", "memory", "storage-read", "storage-round-trip"}
    for load in known().values():
        assert all((load.drives, load.needs, load.verifies, load.writes))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("nonsense", "no such load; choose among accelerator, accelerator-peers, memory, storage-read"),
        ("storage-read:/absent", "/absent: cannot be used"),
        ("storage-read:/etc/passwd", "/etc/passwd: is no block device"),
        ("storage-round-trip", "finds nothing to drive"),
        ("storage-round-trip:/absent/x", "/absent: no such directory"),
        ("storage-round-trip:/etc/passwd", "/etc/passwd: is a file of somebody's"),
        ("memory:x", "no such memory"),
    ],
)
def test_what_is_refused(text: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        find(text)
    assert told in str(caught.value)


def test_round_trip_writes_reads_and_cleans_up(tmp_path: Path) -> None:
    path = tmp_path / "scratch"
    load = StorageRoundTrip()
    found = run(load, load.target(str(path)), passes=4, size=8 * BLOCK, block=BLOCK)
    assert [(item.direction, item.verified) for item in found if isinstance(item, Pass)][:2] == [
        ("from host", False),
        ("to host", True),
    ]
    assert not [item for item in found if isinstance(item, Mismatch)]
    assert not path.exists()


def test_a_flipped_bit_is_found_at_its_offset(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "scratch"
    where = BLOCK + 3 * BLOCK + 12_345  # the first block holds the mark
    real = os.fsync

    def damage(descriptor: int) -> None:
        real(descriptor)
        if path.stat().st_size > where:
            with path.open("r+b", buffering=0) as file:
                file.seek(where)
                byte = file.read(1)[0]
                file.seek(where)
                file.write(bytes([byte ^ 0b100]))
                real(file.fileno())

    monkeypatch.setattr(os, "fsync", damage)
    load = StorageRoundTrip()
    found = run(load, load.target(str(path)), passes=2, size=8 * BLOCK, block=BLOCK)
    wrong = [item for item in found if isinstance(item, Mismatch)]
    assert [(item.offset, item.bits) for item in wrong] == [(where, 1)]
    assert wrong[0].expected != wrong[0].found


def test_a_file_that_became_somebodys_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "scratch"
    load = StorageRoundTrip()
    target = load.target(str(path))
    path.write_text("precious")
    with pytest.raises(InputError, match="is a file of somebody's"):
        run(load, target)
    assert path.read_text() == "precious"


def test_patterns_differ_by_seed_block_and_page() -> None:
    block = pattern(1, 0, BLOCK)
    assert len(block) == BLOCK
    pages = {block[at : at + 4096] for at in range(0, BLOCK, 4096)}
    assert len(pages) == BLOCK // 4096
    assert pattern(1, 1, BLOCK) != block != pattern(2, 0, BLOCK)


def test_reading_verifies_and_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "disk"
    data = os.urandom(8 * BLOCK)
    path.write_bytes(data)
    found = run(StorageRead(), Target(label=str(path)), passes=1, block=BLOCK)
    assert found
    assert all(isinstance(item, Pass) and item.direction == "to host" for item in found)
    assert path.read_bytes() == data


def test_reading_tells_a_region_that_never_reads_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "disk"
    path.write_bytes(bytes(8 * BLOCK))
    real = os.preadv
    calls = iter(range(1, 10**9))

    def unsteady(descriptor: int, buffers: list[memoryview], offset: int) -> int:
        count = real(descriptor, buffers, offset)
        buffers[0][:8] = next(calls).to_bytes(8, "little")
        return count

    monkeypatch.setattr(os, "preadv", unsteady)
    found = run(StorageRead(), Target(label=str(path)), passes=1, block=BLOCK, in_flight=1)
    assert any(isinstance(item, Mismatch) for item in found)


def test_a_rate_limit_holds() -> None:
    (found,) = run(MemoryBaseline(), Target(label="host memory"), passes=1, block=1 << 20, rate_bytes_s=50e6)
    assert isinstance(found, Pass)
    assert found.bytes / found.seconds < 75e6


def test_memory() -> None:
    (found,) = run(MemoryBaseline(), MemoryBaseline().targets()[0], passes=1)
    assert isinstance(found, Pass)
    assert found.bytes > 100e6


@pytest.mark.parametrize(("text", "expected"), [("0-3,8", {0, 1, 2, 3, 8}), ("5", {5}), ("0,2-3\n", {0, 2, 3})])
def test_processor_lists(text: str, expected: set[int]) -> None:
    assert processors(text) == expected
