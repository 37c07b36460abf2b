"""Watching: events as they happen, a line each."""

import json
import threading
from pathlib import Path

from tests.conftest import Run
from tests.soak.test_soak import FAST_WIDE, PORT, SLOW, Machine


def test_the_stream(tmp_path: Path, run: Run) -> None:
    machine = Machine(tmp_path)
    for number, happening in enumerate((
        lambda: machine.status(SLOW),
        lambda: machine.counter("aer_dev_correctable", "RxErr 3\nBadTLP 0"),
        lambda: machine.status(FAST_WIDE),
    )):  # fmt: skip
        threading.Timer(0.8 + 0.3 * number, happening).start()
    status, out, _ = run(
        "watch", "--json", "--sysfs", machine.sys, "--link", PORT, "--interval", "0.05", "--minutes", "0.04"
    )
    found = [json.loads(line) for line in out.splitlines()]
    assert status == 0
    assert [item["kind"] for item in found] == ["state", "errors", "state"]
    assert found[1]["sentence"] == "3 correctable: Receiver Error at the component"
    assert {item["address"] for item in found} == {"0000:01:00.0"}


def test_plain_lines_in_a_pipe(tmp_path: Path, run: Run) -> None:
    machine = Machine(tmp_path)
    threading.Timer(0.8, lambda: machine.status(SLOW)).start()
    out = run("watch", "--sysfs", machine.sys, "--link", PORT, "--interval", "0.05", "--minutes", "0.03")[1]
    assert "0000:01:00.0  went from 16 GT/s x4 to 2.5 GT/s x4" in out
