"""Errors put in between two snapshots, in a real kernel: the diff gives exactly those, on the right link, end, direction."""

import json
import subprocess
import time
from pathlib import Path

import pytest

from probe.compare.changes import Comparison
from probe.compare.diff import diff
from probe.documents.files import read_snapshot
from probe.errors.attribution import TO_COMPONENT
from probe.errors.log_events import EventKind, log_events
from tests.guest import emulator

pytestmark = pytest.mark.guest

DEVICES = [
    "-device",
    "pcie-root-port,id=rp1,bus=pcie.0,chassis=1,slot=1,addr=10.0,x-speed=16,x-width=16",
    "-drive",
    "file=null-co://,if=none,id=d1,format=raw",
    "-device",
    "nvme,bus=rp1,drive=d1,serial=s1,id=nvme1",
    "-device",
    "pcie-root-port,id=rp2,bus=pcie.0,chassis=2,slot=2,addr=11.0,x-speed=8,x-width=4",
    "-device",
    "e1000e,bus=rp2,id=net1",
    "-device",
    "pcie-root-port,id=rp3,bus=pcie.0,chassis=3,slot=3,addr=12.0",
]

# A record of the aer_inject module: bus, device, function, pad, uncorrectable, correctable status, 4 header words, domain.
INJECT = """
    set -e
    modprobe aer_inject 2>/dev/null || true
    linkprobe snapshot -o /out/before.json
    python3 - <<'PYTHON'
import struct, time
def inject(bus, device, function, uncorrectable, correctable):
    record = struct.pack("<BBBBII4II", bus, device, function, 0, uncorrectable, correctable, 4, 3, 2, 1, 0)
    with open("/dev/aer_inject", "wb", buffering=0) as file:
        file.write(record)
    time.sleep(1)  # the interrupt of the one before has to be taken
inject(2, 0, 0, 0, 1)
inject(2, 0, 0, 0, 1)
inject(2, 0, 0, 0, 1 << 6)
PYTHON
    sleep 2
    linkprobe snapshot -o /out/after.json
"""


def comparison(out: Path, first: str = "before", second: str = "after") -> Comparison:
    return diff(read_snapshot(str(out / f"{first}.json")), read_snapshot(str(out / f"{second}.json")))


@pytest.fixture(scope="module")
def injected(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = emulator.boot(DEVICES, INJECT, tmp_path_factory.mktemp("inject"))
    assert found.status == 0, found.log
    return found.out


def test_injected_errors_are_found_exactly(injected: Path) -> None:
    document = comparison(injected)
    counted = {(item.end, item.severity, item.error): item.count for item in document.counts}
    assert counted == {
        ("component", "correctable", "Receiver Error"): 2,
        ("component", "correctable", "Bad TLP"): 1,
    }
    (errors,) = document.errors
    assert errors.title.endswith("(port 0000:00:11.0)")
    assert errors.finding.direction == TO_COMPONENT
    assert not errors.floor


def test_the_log_lines_tie_to_the_same_function(injected: Path) -> None:
    lines = read_snapshot(str(injected / "after.json")).evidence.kernel_log
    found = [event for event in log_events(lines) if event.kind is EventKind.ERROR]
    assert [event.address for event in found] == ["0000:02:00.0"] * 3
    assert [event.errors for event in found] == [("Receiver Error",), ("Receiver Error",), ("Bad TLP",)]
    assert all(event.time_s is not None for event in found)


class Monitor:
    """The emulator's monitor on a socket."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def say(self, *commands: str) -> None:
        for command in commands:
            done = subprocess.run(
                ["python3", "-c", _SAY, str(self._path), command],
                capture_output=True,
                text=True,
                check=True,
                timeout=30,
            )
            assert "rror:" not in done.stdout, done.stdout


_SAY = """
import socket, sys, time
connection = socket.socket(socket.AF_UNIX)
connection.connect(sys.argv[1])
connection.settimeout(2)
def read():
    text = b""
    try:
        while not text.endswith(b"(qemu) "):
            text += connection.recv(65536)
    except TimeoutError:
        pass
    return text.decode(errors="replace")
read()
connection.sendall(sys.argv[2].encode() + b"\\n")
print(read())
"""

STEPS = """
    linkprobe snapshot -o /out/before.json
    touch /out/ready-1; while [ ! -e /out/go-1 ]; do sleep 0.2; done; sleep 1
    linkprobe snapshot -o /out/errors.json
    touch /out/ready-2; while [ ! -e /out/go-2 ]; do sleep 0.2; done; sleep 8
    linkprobe snapshot -o /out/gone.json
    touch /out/ready-3; while [ ! -e /out/go-3 ]; do sleep 0.2; done; sleep 4
    linkprobe snapshot -o /out/back.json
    python3 - <<'PYTHON'
import os
path = "/sys/bus/pci/devices/0000:00:10.0/config"
with open(path, "r+b", buffering=0) as file:
    file.seek(0x34); at = file.read(1)[0]
    while at:
        file.seek(at); kind, following = file.read(2)
        if kind == 0x10:
            break
        at = following
    file.seek(at + 0x10); control = int.from_bytes(file.read(2), "little")
    file.seek(at + 0x10); file.write((control | 0x20).to_bytes(2, "little"))
PYTHON
    sleep 1
    linkprobe snapshot -o /out/retrained.json
"""


@pytest.fixture(scope="module")
def plugged(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("plug")
    socket = Path("/tmp") / f"linkprobe-monitor-{out.name}-{id(out)}"  # noqa: S108 - short, as a socket's name must be
    emulator.write_job(out, STEPS)
    command = emulator.command(DEVICES, out)
    command += ["-monitor", f"unix:{socket},server=on,wait=off"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    monitor = Monitor(socket)
    steps = (
        ("pcie_aer_inject_error -c net1 0x40",),
        ("device_del net1",),
        ("device_add e1000e,bus=rp2,id=net2",),
    )
    try:
        for number, commands in enumerate(steps, start=1):
            _wait(out / f"ready-{number}", process)
            monitor.say(*commands)
            (out / f"go-{number}").touch()
        process.wait(emulator.TIMEOUT_S)
    finally:
        process.kill()
        socket.unlink(missing_ok=True)
    assert emulator.finished(out).status == 0, (out / "log").read_text()
    return out


def _wait(path: Path, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + emulator.TIMEOUT_S
    while not path.exists():
        assert process.poll() is None, "the guest ended early"
        assert time.monotonic() < until, f"{path.name} did not come"
        time.sleep(0.2)


def test_an_error_of_the_emulated_hardware(plugged: Path) -> None:
    """QEMU before 8.0 sets the status bit and routes no message of a correctable error, so no counter moves."""
    document = comparison(plugged, "before", "errors")
    (change,) = document.changes
    if document.counts:
        assert {(item.end, item.error): item.count for item in document.counts} == {("component", "Bad TLP"): 1}
    else:
        assert change.sentence.startswith("at least one Bad TLP at the component, which no counter tells of")
    assert "suspect host to component" in change.sentence
    assert change.place.endswith("(port 0000:00:11.0)")


def test_hot_unplug_and_hot_plug(plugged: Path) -> None:
    gone = comparison(plugged, "errors", "gone")
    assert [(change.kind, change.place.rpartition(" ")[2]) for change in gone.changes if change.urgent] == [
        ("gone", "0000:00:11.0)")
    ]
    back = comparison(plugged, "gone", "back")
    assert ("come", "0000:00:11.0)") in {(change.kind, change.place.rpartition(" ")[2]) for change in back.changes}
    assert not any(change.urgent for change in back.changes)


def test_a_retrained_link_is_the_same_link(plugged: Path) -> None:
    document = comparison(plugged, "back", "retrained")
    assert document.alterations == ()
    assert json.loads((plugged / "retrained.json").read_text())["summary"]["downtrained"] == 0
