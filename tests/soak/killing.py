"""Soaks that are killed at some moment, again and again, from one process that holds the program. It prints JSON.

    python -m tests.soak.killing FOLDER TIMES SECONDS               on made-up hardware, with loads and a command
    python -m tests.soak.killing FOLDER TIMES SECONDS WORDS...      linkprobe WORDS -o RECORD, on this host

For each it tells what went on running, by the mark in its environment.
"""

import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

from probe.audit.snapshot import take
from probe.cli.main import main as linkprobe
from probe.host.machine import read_machine
from probe.host.opening import open_source
from probe.loads.catalogue import find
from probe.loads.interface import Options
from probe.observe.clock import BootClock
from probe.soak.run import Soak
from probe.soak.setup import Setup
from probe.soak.writing import Journal
from tests.compare.machines import drive, of, slot

MARK = "LINKPROBE_KILLED"
_ENDS_WITHIN_S = 10.0
Run = Callable[[Path], object]


def killed(number: int, run: Run, path: Path, seconds: float, ends_within_s: float = _ENDS_WITHIN_S) -> list[str]:
    """Kill a run so long after its record was there, of every other one after it had begun; what still goes on then."""
    mark = f"{os.getpid()}-{number}"
    process = os.fork()
    if process == 0:
        os.environ[MARK] = mark
        for descriptor in (1, 2):
            os.dup2(os.open(os.devnull, os.O_WRONLY), descriptor)
        run(path)
        os._exit(0)
    begun = number % 2
    while not (path.exists() and path.stat().st_size >= begun) and os.waitpid(process, os.WNOHANG) == (0, 0):
        time.sleep(0.002)
    time.sleep(seconds)
    os.kill(process, signal.SIGKILL)
    os.waitpid(process, 0)
    until = time.monotonic() + ends_within_s
    while (left := _marked(mark)) and time.monotonic() < until:
        time.sleep(0.02)
    return left


def _marked(mark: str) -> list[str]:
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            if f"{MARK}={mark}\0".encode() in (folder / "environ").read_bytes():
                found.append((folder / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace"))
    return found


def _made_up(folder: Path) -> Run:
    held = of(slot(1, drive(None)), slot(2, drive(None, "8 GT/s x4"))).build().write(folder / "tree")
    taken = take(read_machine(open_source(held)))

    def run(path: Path) -> None:
        setup = Setup(
            sys=str(held), snapshot=taken, links=taken.links, planned_s=300.0, live=False, interval_s=0.1,
            loads=tuple(pair for word in ("memory", f"storage-round-trip:{folder}/scratch") for pair in find(word)),
            options=Options(block=1 << 16, size=1 << 20), covers=tuple(link.place_id for link in taken.links),
            command=("sh", "-c", "sleep 301 & sleep 302; true"),
        )  # fmt: skip
        with closing(Journal.create(path)) as journal:
            Soak(setup, BootClock(), journal, lambda _: None).run(lambda: taken)

    return run


def _on_this_host(words: list[str]) -> Run:
    def run(path: Path) -> None:
        sys.argv = ["linkprobe", *words, "-o", str(path)]
        linkprobe()

    return run


def main() -> None:
    """Print, for each record, what went on running after it."""
    folder, times, seconds, *words = sys.argv[1:]
    run = _on_this_host(words) if words else _made_up(Path(folder))
    chance = random.Random(1)
    left = {
        f"r{number}.jsonl": killed(number, run, Path(folder) / f"r{number}.jsonl", chance.uniform(0, float(seconds)))
        for number in range(int(times))
    }
    sys.stdout.write(json.dumps(left))


if __name__ == "__main__":
    main()
