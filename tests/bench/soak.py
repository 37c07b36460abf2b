"""Cost of sampling and of its live screen; the storage reader against dd. `python tests/bench/soak.py [FILE]`."""

import io
import os
import re
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
from probe.loads.interface import MIB, Context, Options, Target
from probe.loads.kinds.storage_read import StorageRead
from probe.loads.results import Mismatch, Pass
from probe.observe.clock import BootClock
from probe.observe.watching import Watch, WatchedEvent
from probe.render.terminal.watch import watched

LINKS, SECONDS = 200, 20
SIZE = 2048 * MIB


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
    """Bytes a second of the load over those of dd, both past the cache, in turn."""
    ratios = []
    for _ in range(3):
        ours, theirs = _ours(path), _dd(path)
        ratios.append(ours / theirs)
        print(f"storage read {ours / 1e9:.2f} GB/s, dd {theirs / 1e9:.2f} GB/s: {ours / theirs:.2f} x")
    print(f"storage read {sorted(ratios)[1]:.2f} x dd (median of 3)")


def _ours(path: Path) -> float:
    stop, moved, start = threading.Event(), [0, 0.0], time.perf_counter()

    def report(entry: Pass | Mismatch) -> None:
        assert isinstance(entry, Pass)
        moved[0] += entry.bytes
        moved[1] = time.perf_counter() - start
        if moved[0] >= SIZE:
            stop.set()

    StorageRead().run(Target(label=str(path)), Context("x", "", Options(), stop, report, lambda: 0.0))
    return moved[0] / moved[1]


def _dd(path: Path) -> float:
    command = ["dd", f"if={path}", "of=/dev/null", "bs=8M", f"count={SIZE // (8 * MIB)}", "iflag=direct"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env={**os.environ, "LC_ALL": "C"})
    match = re.search(r"(\d+) bytes.* ([\d.]+) s,", done.stderr)
    assert match
    return int(match[1]) / float(match[2])


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
