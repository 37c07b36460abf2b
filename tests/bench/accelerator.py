"""The accelerator load against plain streams of pinned copies on the same links in the same run, and the ratio.

`python tests/bench/accelerator.py INTO [MINUTES]`, on a host with accelerators. Leaves in INTO the record of a soak of
all of them at once, its page, and what the terminal says of it.
"""

import itertools
import statistics
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from cuda.bindings import driver

from probe.loads.interface import MIB
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Pass
from probe.soak.reading import read_entries

SIZE = 256 * MIB
AHEAD = 4
PLAIN_S = 2.0
WAYS = (FROM_HOST, TO_HOST, BOTH)


def must(answer: tuple[Any, ...]) -> Any:
    status, *values = answer
    if int(status):
        sys.exit(f"the driver says {status!r}")
    return values[0] if values else None


class Plain:
    """An accelerator, a stream each way, and a pinned buffer for each: nothing else."""

    def __init__(self, number: int) -> None:
        device = must(driver.cuDeviceGet(number))
        self.context = must(driver.cuDevicePrimaryCtxRetain(device))
        must(driver.cuCtxSetCurrent(self.context))
        self.host = {way: int(must(driver.cuMemHostAlloc(SIZE, 0))) for way in (FROM_HOST, TO_HOST)}
        self.below = {way: must(driver.cuMemAlloc(SIZE)) for way in self.host}
        self.streams = {way: must(driver.cuStreamCreate(1)) for way in self.host}
        self.begin = {way: must(driver.cuEventCreate(1)) for way in self.host}
        self.done = {way: [must(driver.cuEventCreate(1)) for _ in range(AHEAD)] for way in self.host}

    def stream(self, way: str, until: float) -> float:
        """Bytes a second of copies one after the other until this time.

        All streams stop at one time: one that goes on alone would gain by it.
        """
        must(driver.cuCtxSetCurrent(self.context))
        must(driver.cuEventRecord(self.begin[way], self.streams[way]))
        number = 0
        while time.monotonic() < until:
            done = self.done[way][number % AHEAD]
            if number >= AHEAD:
                must(driver.cuEventSynchronize(done))
            self._copy(way)
            must(driver.cuEventRecord(done, self.streams[way]))
            number += 1
        last = self.done[way][(number - 1) % AHEAD]
        must(driver.cuEventSynchronize(last))
        return number * SIZE / float(must(driver.cuEventElapsedTime(self.begin[way], last))) * 1000

    def _copy(self, way: str) -> None:
        if way == FROM_HOST:
            must(driver.cuMemcpyHtoDAsync(self.below[way], self.host[way], SIZE, self.streams[way]))
        else:
            must(driver.cuMemcpyDtoHAsync(self.host[way], self.below[way], SIZE, self.streams[way]))


def groups(count: int) -> Iterator[tuple[int, ...]]:
    """Each alone, then all at once."""
    yield from ((number,) for number in range(count))
    if count > 1:
        yield tuple(range(count))


def plain(devices: Sequence[Plain], group: tuple[int, ...]) -> dict[str, float]:
    """The sum over a group of accelerators by way."""
    found = {}
    with ThreadPoolExecutor() as threads:
        for way in WAYS:
            ways = (FROM_HOST, TO_HOST) if way == BOTH else (way,)
            until = time.monotonic() + PLAIN_S
            streams = [
                threads.submit(devices[number].stream, one, until) for number, one in itertools.product(group, ways)
            ]
            found[way] = sum(stream.result() for stream in streams)
    return found


def linkprobe(*arguments: str) -> str:
    command = [sys.executable, "-m", "probe", *arguments]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=False)
    print(f"$ linkprobe {' '.join(arguments)}  (status {done.returncode})", flush=True)
    return done.stdout


def soaked(record: Path, minutes: float, *loads: str) -> dict[str, float]:
    """The sum over all targets by direction: the median over the phases in which all were measured."""
    words = [word for load in loads for word in ("--load", load)]
    accepted = ("--accept", "uncounted-errors")  # a virtual machine hides the counters of its ports
    print(linkprobe("soak", "--minutes", f"{minutes:g}", *words, *accepted, "-o", str(record)), flush=True)
    sums: dict[tuple[str, int], list[float]] = defaultdict(list)
    for entry in read_entries(record):
        if isinstance(entry, Pass) and entry.load == "accelerator" and entry.phase_number is not None:
            sums[entry.direction, entry.phase_number].append(entry.bytes / entry.seconds)
    most = max((len(rates) for rates in sums.values()), default=0)
    by_way: dict[str, list[float]] = defaultdict(list)
    for (direction, _), rates in sums.items():
        if len(rates) == most:
            by_way[direction].append(sum(rates))
    return {direction: statistics.median(rates) for direction, rates in by_way.items()}


def compared(devices: Sequence[Plain], group: tuple[int, ...], into: Path, minutes: float) -> list[str]:
    """A soak of these accelerators between two runs of plain streams of the same: what memory carries drifts."""
    alone = len(group) == 1
    loads = [f"accelerator:{group[0]}"] if alone else ["accelerator", "memory"]
    record = into / ("alone.jsonl" if alone else "record.jsonl")
    record.unlink(missing_ok=True)
    before = plain(devices, group)
    ours = soaked(record, 0.4 if alone else minutes, *loads)
    after = plain(devices, group)
    return [row(group, way, rate, [run[way] for run in (before, after) if way in run]) for way, rate in ours.items()]


def row(group: tuple[int, ...], way: str, rate: float, theirs: Sequence[float]) -> str:
    ratio = f"{rate / statistics.mean(theirs):6.3f}" if theirs else ""
    written = "".join(f" {value / 1e9:10.2f}" for value in theirs) or " " * 22
    return f"{', '.join(map(str, group)):<14} {way:<16}{written} {rate / 1e9:10.2f} {ratio}"


def main() -> None:
    into, minutes = Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 1.5
    must(driver.cuInit(0))
    devices = [Plain(number) for number in range(must(driver.cuDeviceGetCount()))]
    rows = [line for group in groups(len(devices)) for line in compared(devices, group, into, minutes)]
    print(f"\n{'accelerators':<14} {'way':<16} {'plain GB/s':>10} {'and after':>10} {'linkprobe':>10} {'ratio':>6}")
    print("\n".join(rows), flush=True)
    began = time.monotonic()
    print(linkprobe("soak", "--minutes", "0.3", "--load", "accelerator-peers", "-o", str(into / "peers.jsonl")))
    (into / "record.txt").write_text(linkprobe("soak", "close", str(into / "record.jsonl")))
    print(linkprobe("report", str(into / "record.jsonl"), "-o", str(into / "record.html")))
    print(f"peers and page: {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
