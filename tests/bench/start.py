"""Start-up of commands as a ratio to a Python process that only imports typer and rich. `python tests/bench/start.py`.

Run it a second time where bytecode was not yet there.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

_ROUNDS = 40


def seconds(command: Sequence[str]) -> float:
    """One run of Python, seconds."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *command], capture_output=True, check=False)
    return time.perf_counter() - start


def main() -> None:
    """Print one figure a line."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "sys/bus/pci/devices").mkdir(parents=True)
        commands = {
            "reference": ("-c", "import typer, rich"),
            "audit of an empty tree": ("-m", "probe", "audit", "--sysfs", folder),
            "--help": ("-m", "probe", "--help"),
        }
        times: dict[str, list[float]] = {name: [] for name in commands}
        for _ in range(_ROUNDS):  # one after the other, so that a busy moment falls on all alike
            for name, command in commands.items():
                times[name].append(seconds(command))
        reference = statistics.median(times.pop("reference"))
        print(f"reference {reference * 1e3:.0f} ms")
        for name, found in times.items():
            print(f"{name}: {statistics.median(found) / reference:.2f} x")


if __name__ == "__main__":
    main()
