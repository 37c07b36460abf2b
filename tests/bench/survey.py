"""Cost of a survey as ratios to references in the same run. `python tests/bench/survey.py`.

Reading and judging 1,000 functions against opening and reading the same files with no decoding; config bytes read a
function; start-up on an empty tree against a Python that only imports typer and rich; peak memory.
"""

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from fake_sysfs import Machine, card, machine, port, root_port, switch
from probe.audit.audit import audit
from probe.evidence import Evidence
from probe.host.machine import read_machine
from probe.host.source import DirectorySource

ROUNDS = 7


def thousand() -> Machine:
    """1,000 functions: in 25 domains, 4 root ports with a switch of 2 drives, and 4 cards of 5 functions."""
    roots = []
    for domain in range(25):
        for device in range(1, 5):
            drives = [port("16 GT/s x4", slot=device).holds(card("16 GT/s x4", serial=1)) for _ in range(2)]
            roots.append(
                root_port(f"{domain:04x}:00:{device:02x}.0", "16 GT/s x16").holds(switch("16 GT/s x16", *drives))
            )
        for device in range(5, 9):
            adapter = card("16 GT/s x16", class_code=0x020000, serial=2)
            for _ in range(2):
                adapter = adapter.also()
            roots.append(root_port(f"{domain:04x}:00:{device:02x}.0", "16 GT/s x16", slot=device).holds(adapter))
    return machine(*roots)


def best_of(run: Callable[[], object]) -> float:
    """The median time of several rounds, seconds."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def files_read(evidence: Evidence, root: Path) -> list[str]:
    """The files that the survey opened, for the reference to open too."""
    found = []
    for function in evidence.functions:
        base = root / function.path
        found += [str(base / name) for name in function.attributes]
        if function.config:
            found.append(str(base / "config"))
    return found


def read_only(paths: list[str]) -> None:
    """The reference: open, read, close."""
    for path in paths:
        descriptor = os.open(path, os.O_RDONLY)
        os.read(descriptor, 4096)
        os.close(descriptor)


def startup(code: list[str]) -> float:
    """The median time of a Python process."""
    return best_of(lambda: subprocess.run([sys.executable, *code], capture_output=True, check=False))


def main() -> None:
    """Print one figure a line."""
    with tempfile.TemporaryDirectory() as folder:
        root = thousand().build().write(Path(folder))
        source = DirectorySource(root, root.parent)
        evidence = read_machine(source)
        paths = files_read(evidence, root)
        reference = best_of(lambda: read_only(paths))
        reading = best_of(lambda: read_machine(source))
        whole = best_of(lambda: audit(read_machine(source)))
        config = sum(len(data) // 2 for function in evidence.functions for data in function.config.values())
        count = len(evidence.functions)
        print(f"functions {count}, files {len(paths)}")
        print(f"reference {reference * 1e3:.0f} ms: the same files opened and read")
        print(f"read {reading / reference:.2f} x the reference ({reading * 1e3:.0f} ms)")
        print(f"read and judge {whole / reference:.2f} x the reference ({whole * 1e3:.0f} ms)")
        print(f"config bytes a function {config / count:.0f}")
        print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")
        empty = Path(folder) / "empty"
        (empty / "bus/pci/devices").mkdir(parents=True)
        ours = startup(["-m", "probe", "audit", "--sysfs", str(empty)])
        bare = startup(["-c", "import typer, rich"])
        print(f"start-up {ours / bare:.2f} x importing typer and rich ({ours * 1e3:.0f} ms, {bare * 1e3:.0f} ms)")


if __name__ == "__main__":
    main()
