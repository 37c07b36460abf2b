"""Cost of a comparison as a ratio to plainly parsing the same two files. `python tests/bench/compare.py`."""

import json
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from probe.audit.snapshot import take
from probe.compare.diff import diff
from probe.documents.files import encode, read_snapshot
from probe.host.machine import read_machine
from tests.bench.survey import thousand


def median(run: Callable[[], object]) -> float:
    """The median of several rounds, seconds."""
    times = []
    for _ in range(7):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Print one figure a line."""
    with tempfile.TemporaryDirectory() as folder:
        names = [Path(folder) / "before.json", Path(folder) / "after.json"]
        for name in names:
            name.write_bytes(encode(take(read_machine(thousand().build().source()))))
        plain = median(lambda: [json.loads(name.read_bytes()) for name in names])
        ours = median(lambda: diff(read_snapshot(str(names[0])), read_snapshot(str(names[1]))))
        size = sum(name.stat().st_size for name in names) / 1e6
        print(f"two snapshots of 1,000 functions, {size:.1f} MB: parsed in {plain * 1e3:.0f} ms")
        print(f"read and compared {ours / plain:.2f} x plain JSON parsing ({ours * 1e3:.0f} ms)")


if __name__ == "__main__":
    main()
