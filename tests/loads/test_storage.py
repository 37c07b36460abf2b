"""The loads on files: what they read, write, verify and refuse."""

import mmap
import os
import threading
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from probe.exceptions import InputError
from probe.host.numa import processors
from probe.loads.catalogue import find, known
from probe.loads.interface import Context, Load, Options, Steps, Target
from probe.loads.kinds.memory import MemoryBaseline
from probe.loads.kinds.storage_read import StorageRead
from probe.loads.kinds.storage_round_trip import StorageRoundTrip
from probe.loads.patterns import StampedBlocks
from probe.loads.phases import VERIFIED, Schedule
from probe.loads.results import Mismatch, Pass

BLOCK = 256 << 10


def run(
    load: Load, target: Target, *, passes: int = 2, only: str | None = None, **options: Any
) -> list[Pass | Mismatch]:
    """Run until so many passes were reported, in all phases of the load or in one."""
    reported: list[Pass | Mismatch] = []
    stop = threading.Event()

    def report(entry: Pass | Mismatch) -> None:
        reported.append(entry)
        if sum(isinstance(item, Pass) for item in reported) >= passes:
            stop.set()

    works_in = load.phases if only is None else (only,)
    steps = Steps(schedule=Schedule.of(works_in, 1.0), works_in=works_in)
    context = Context("x", "place", Options(**options), stop, report, lambda: 0.0, steps)
    timer = threading.Timer(20, stop.set)
    timer.start()
    try:
        load.run(target, context)
    finally:
        timer.cancel()
        context.close()
    return reported


def test_all_are_found_and_say_what_they_do() -> None:
    assert set(known()) == {
        "accelerator", "accelerator-peers", "memory", "network", "storage-read", "storage-round-trip",
    }  # fmt: skip
    for load in known().values():
        assert all((load.drives, load.needs, load.verifies, load.writes))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("nonsense", "no such load; choose among accelerator, accelerator-peers, memory, network, storage-read"),
        ("storage-read:/absent", "/absent: cannot be used"),
        ("storage-read:/etc/passwd", "/etc/passwd: is no block device"),
        ("storage-round-trip", "finds nothing to drive"),
        ("storage-round-trip:/absent/x", "/absent: no such directory"),
        ("storage-round-trip:/etc/passwd", "/etc/passwd: is somebody's, and no scratch file of ours"),
        ("storage-round-trip:/dev/nvme9n9", "/dev/nvme9n9: is no block device: there is none of that name"),
        ("storage-round-trip:/dev/../dev/nvme9n9", "is no block device: there is none of that name"),
        ("storage-round-trip:/dev/null", "/dev/null: is somebody's, and no scratch file of ours"),
        ("storage-round-trip:/dev", "/dev: is somebody's, and no scratch file of ours"),
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
    told = [(item.direction, item.phase, item.verified) for item in found if isinstance(item, Pass)]
    assert told[:2] == [("from host", "from host", False), ("to host", "to host", True)]
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
    wrong = {(item.offset, item.bits) for item in found if isinstance(item, Mismatch)}
    assert wrong == {(where, 1)}
    assert all(item.expected != item.found for item in found if isinstance(item, Mismatch))


def test_a_file_that_became_somebodys_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "scratch"
    load = StorageRoundTrip()
    target = load.target(str(path))
    path.write_text("precious")
    with pytest.raises(InputError, match="is somebody's"):
        run(load, target)
    assert path.read_text() == "precious"


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="is somebody's"):
        StorageRoundTrip().target(str(tmp_path / "pipe"))


def filled(blocks: StampedBlocks, turn: int, number: int) -> bytes:
    buffer = mmap.mmap(-1, BLOCK)
    blocks.fill(buffer, turn, number)
    return bytes(buffer)


def test_blocks_differ_by_turn_and_number_at_nearly_every_byte() -> None:
    blocks = StampedBlocks(BLOCK, 1)
    first = filled(blocks, 1, 0)
    for other in (filled(blocks, 2, 0), filled(blocks, 1, 1), filled(StampedBlocks(BLOCK, 2), 1, 0)):
        alike = sum(one == two for one, two in zip(first, other, strict=True))
        assert alike < BLOCK * 0.02  # by chance 1 in 256, and the stamps
        sectors = [(first[at : at + 512], other[at : at + 512]) for at in range(0, BLOCK, 512)]
        assert all(one != two for one, two in sectors)
    assert filled(blocks, 1, 0) == first


def reads(found: list[Pass | Mismatch], direction: str) -> list[Pass]:
    return [item for item in found if isinstance(item, Pass) and item.direction == direction]


def test_reading_verifies_and_changes_nothing(disk: Path) -> None:
    data = os.urandom(8 * BLOCK)
    disk.write_bytes(data)
    os.sync()
    found = run(StorageRead(), Target(label=str(disk)), passes=2, block=BLOCK)
    assert [item.verified for item in reads(found, "to host")] == [False]
    assert [item.verified for item in reads(found, "to host, twice")] == [True]
    assert all(item.bytes % BLOCK == 0 for item in found if isinstance(item, Pass))  # never half a block
    assert not [item for item in found if isinstance(item, Mismatch)]
    assert disk.read_bytes()[: len(data)] == data


WHERE = 12_345


def flipping(monkeypatch: pytest.MonkeyPatch, wrong: Callable[[int], bool]) -> None:
    """One bit of the reads for whose number this is so."""
    real, numbers = os.preadv, count()

    def read(descriptor: int, buffers: list[mmap.mmap], offset: int) -> int:
        moved = real(descriptor, buffers, offset)
        if wrong(next(numbers)):
            buffers[0][WHERE] ^= 0b1000
        return moved

    monkeypatch.setattr(os, "preadv", read)


def twice(disk: Path, **changes: Any) -> list[Pass | Mismatch]:
    """What reading every region twice tells."""
    return run(StorageRead(), Target(label=str(disk)), passes=1, only=VERIFIED, block=BLOCK, in_flight=1, **changes)


@pytest.mark.parametrize("wrong", [0, 1])
def test_a_wrong_read_that_is_right_the_second_time_is_told(
    wrong: int, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flipping(monkeypatch, lambda number: number == wrong)
    found = [item for item in twice(disk) if isinstance(item, Mismatch)]
    assert [(item.offset, item.bits) for item in found] == [(WHERE, 1)]
    at = WHERE % 64 * 2 + 1  # the byte in what is told, as two digits; the bit is in the lower one
    assert (found[0].expected[at - 1 : at + 1], found[0].found[at - 1 : at + 1]) == ("00", "08")


def test_one_read_in_twenty(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    flipped = []

    def wrong(number: int) -> bool:
        if number % 20 == 7:
            flipped.append(number)
        return number % 20 == 7

    flipping(monkeypatch, wrong)
    found = [item for item in twice(disk) if isinstance(item, Mismatch)]
    assert len(flipped) > 0
    assert sum(item.times for item in found) == len(flipped)


def test_a_region_that_somebody_wrote_to_is_no_damage(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real, numbers = os.preadv, count()

    def read(descriptor: int, buffers: list[mmap.mmap], offset: int) -> int:
        with disk.open("r+b", buffering=0) as file:
            file.seek(offset)
            file.write(next(numbers).to_bytes(8, "little") * 512)
            os.fsync(file.fileno())
        return real(descriptor, buffers, offset)

    monkeypatch.setattr(os, "preadv", read)
    found = twice(disk)
    assert found
    assert not [item for item in found if isinstance(item, Mismatch)]
    assert not any(item.verified for item in found if isinstance(item, Pass))


def test_where_writes_are_not_counted_nothing_is_decided(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "file"  # the kernel counts writes of disks
    path.write_bytes(bytes(8 * BLOCK))
    flipping(monkeypatch, lambda number: number % 20 == 7)
    assert [item.verified for item in twice(path) if isinstance(item, Pass)] == [False]


def test_a_device_that_is_gone_ends_the_load(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "preadv", lambda *_: 0)
    with pytest.raises(OSError, match=r"read 0 of 262144 bytes at offset \d+: the device is gone"):
        run(StorageRead(), Target(label=str(disk)), block=BLOCK)


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
