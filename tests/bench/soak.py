"""Cost of sampling and of its live screen; the storage reader against dd. `python tests/bench/soak.py [FILE]`."""

import io
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from rich.console import Console

from fake_sysfs import card, machine, root_port
from probe.audit.document import LinkDocument
from probe.audit.snapshot import take
from probe.host.machine import read_machine
from probe.host.source import DirectorySource
from probe.loads.interface import MIB, Context, Options, Steps, Target
from probe.loads.kinds.storage_read import StorageRead
from probe.loads.phases import Schedule
from probe.loads.results import TO_HOST, Mismatch, Pass
from probe.observe.clock import BootClock
from probe.observe.watching import Watch, WatchedEvent
from probe.render.terminal.watch import watched

LINKS, SECONDS = 200, 20
SIZE, BLOCK, DEPTHS = 2048 * MIB, 8 * MIB, (1, 4)


def sampling() -> None:
    """The share of one core that 200 links at one sample a second take, by processor time."""
    ports = [
        root_port(f"{domain:04x}:00:{device:02x}.0", "16 GT/s x4").holds(card("16 GT/s x4"))
        for domain in range(LINKS // 20)
        for device in range(1, 21)
    ]
    with tempfile.TemporaryDirectory() as folder:
        root = machine(*ports).build().write(Path(folder))
        limit = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (limit[1], limit[1]))
        taken = take(read_machine(DirectorySource(root, root.parent)))
        before = _processor_s()
        with closing(Watch(str(root), taken.links, taken.evidence, BootClock(), live=False)) as watching:
            for _ in range(SECONDS):
                watching.step()
        sampled = (_processor_s() - before) / SECONDS
        print(f"sampling {LINKS} links once a second: {sampled:.2%} of a core")
        _screen(watching, taken.links, sampled)


def _screen(watching: Watch, links: Sequence[LinkDocument], sampled: float) -> None:
    """What a terminal of 160 x 50 costs beside it, redrawn at each sample with two events a second."""
    screen = Console(file=io.StringIO(), force_terminal=True, width=160, height=50)
    event = WatchedEvent(time=time.time(), kind="state", sentence="went from 16 GT/s x4 to 8 GT/s x4", bad=True)
    with watched(watching, links, None, screen) as drawn:
        before = _processor_s()
        for _ in range(SECONDS):
            drawn.take([event, event])
            time.sleep(1.0)  # it draws once a second; sleeping takes no processor time
        used = (_processor_s() - before) / SECONDS
    print(f"its live screen: {used:.2%} of a core, {used / sampled:.2f} x the sampling, together {used + sampled:.2%}")


def _processor_s() -> float:
    """Processor time of this process and of its children that have ended."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(item.ru_utime + item.ru_stime for item in used)


def reading(path: Path) -> None:
    """Bytes a second of the load over those of dd, both past the cache and with as many reads in flight, in turn."""
    for depth in DEPTHS:
        ratios = []
        for _ in range(3):
            ours, theirs = _ours(path, depth), _dd(path, depth)
            ratios.append(ours / theirs)
            print(f"{depth} in flight: storage read {ours / 1e9:.2f} GB/s, dd {theirs / 1e9:.2f} GB/s")
        print(f"{depth} in flight: storage read {sorted(ratios)[1]:.2f} x dd (median of 3)")


def _ours(path: Path, depth: int) -> float:
    """The load's own figure: bytes of its phases by their seconds."""
    stop, passes = threading.Event(), list[Pass]()

    def report(entry: Pass | Mismatch) -> None:
        assert isinstance(entry, Pass)
        passes.append(entry)
        if sum(item.bytes for item in passes) >= SIZE:
            stop.set()

    steps = Steps(schedule=Schedule(cycle=((TO_HOST, 1.0),)), works_in=(TO_HOST,))
    options = Options(in_flight=depth, block=BLOCK)
    StorageRead().run(Target(label=str(path)), Context("x", "", options, stop, report, lambda: 0.0, steps))
    return sum(item.bytes for item in passes) / sum(item.seconds for item in passes)


def _dd(path: Path, depth: int) -> float:
    """As many at once as reads are to be in flight, each over its own part, by the time until the last has ended."""
    count = SIZE // BLOCK // depth
    common = ["dd", f"if={path}", "of=/dev/null", f"bs={BLOCK}", f"count={count}", "iflag=direct", "status=none"]
    start = time.perf_counter()
    running = [subprocess.Popen([*common, f"skip={number * count}"]) for number in range(depth)]
    for process in running:
        assert process.wait() == 0
    return depth * count * BLOCK / (time.perf_counter() - start)


def main() -> None:
    """Print one figure a line."""
    sampling()
    if len(sys.argv) > 1:
        reading(Path(sys.argv[1]))
        return
    with tempfile.NamedTemporaryFile(dir=".") as file:
        for _ in range(SIZE // (64 * MIB)):
            file.write(os.urandom(64 * MIB))
        file.flush()
        os.fsync(file.fileno())
        reading(Path(file.name))


if __name__ == "__main__":
    main()
