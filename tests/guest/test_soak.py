"""Soaks in a real kernel: errors in mid-load, a device removed, data damaged, the whole machine killed."""

import json
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import pytest

from probe.observe.events import CountedErrors
from probe.soak.journal import Sample, Start
from probe.soak.reading import read_entries
from tests.guest import emulator
from tests.guest.nbd import DamagingDisk, flipping

pytestmark = pytest.mark.guest
MIB = 1 << 20


def disk(path: Path, size_mib: int, *, file_system: bool = False) -> Path:
    with path.open("wb") as file:
        file.truncate(size_mib * MIB)
    if file_system:
        subprocess.run(["mkfs.ext4", "-q", "-F", path], check=True, capture_output=True)
    return path


def nvme(number: int, image: Path | str) -> list[str]:
    """A drive in a port of its own; its image is a file, or the -drive of something that serves one."""
    address = f"{0x10 + number:x}.0"
    drive = f"file={image},if=none,id=d{number},format=raw" if isinstance(image, Path) else image
    return [
        "-device", f"pcie-root-port,id=rp{number},bus=pcie.0,chassis={number + 1},slot={number + 1},addr={address}",
        "-drive", drive,
        "-device", f"nvme,bus=rp{number},drive=d{number},serial=serial-{number}",
    ]  # fmt: skip


# What is done to the machine comes once the journal holds samples, and the soak ends after it: no time limit is in it.
LOADED = """
    modprobe aer_inject 2>/dev/null || true
    samples() { grep -c '"sample"' "$1" 2>/dev/null; }
    sampled() { until [ "$(samples "$1")" -ge "${2:-3}" ] 2>/dev/null; do sleep 0.2; done; }
    cat > /out/inject.py <<'PYTHON'
import struct, time
def inject(status):
    record = struct.pack("<BBBBII4II", 0, 0x10, 0, 0, 0, status, 4, 3, 2, 1, 0)
    for _ in range(50):
        try:
            with open("/dev/aer_inject", "wb", buffering=0) as file:
                file.write(record)
            return
        except OSError:
            time.sleep(0.2)  # the interrupt of the one before has to be taken
first = time.clock_gettime(time.CLOCK_BOOTTIME)
for _ in range(7):
    inject(1 << 6)
    time.sleep(0.3)
open("/out/injected.new", "w").write(f"{first} {time.clock_gettime(time.CLOCK_BOOTTIME)}")
PYTHON
    (sampled /out/loaded.jsonl; python3 /out/inject.py; sampled /out/loaded.jsonl $(($(samples /out/loaded.jsonl) + 4))
     mv /out/injected.new /out/injected) &
    linkprobe soak --load storage-read --block 1048576 --json -o /out/loaded.jsonl \
        -- sh -c 'until [ -e /out/injected ]; do sleep 0.2; done' > /out/loaded.json
    echo $? > /out/loaded.status
    linkprobe watch --json > /out/watched.jsonl &
    watch=$!
    (sampled /out/removed.jsonl; echo 1 > /sys/bus/pci/devices/0000:02:00.0/remove
     sampled /out/removed.jsonl $(($(samples /out/removed.jsonl) + 3)); touch /out/removed) &
    linkprobe soak --json -o /out/removed.jsonl \
        -- sh -c 'until [ -e /out/removed ]; do sleep 0.2; done' > /out/removed.json
    echo $? > /out/removed.status
    kill $watch
    mkfs.ext4 -q -F /dev/nvme0n1
    refused() {
        linkprobe soak --minutes 0.02 --size 1048576 --load storage-round-trip:$1 --json -o /out/refused.jsonl 2>> /out/refused
        echo $? >> /out/refused
    }
    refused /dev/nvme0n1
    refused "/dev/nvme0n1 --raw serial-0"
    refused /dev/nvme9n9
    ls /dev/nvme9n9 /out/refused.jsonl >> /out/refused 2>&1
"""


@pytest.fixture(scope="module")
def loaded(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("soak")
    devices = [*nvme(0, disk(out / "one", 64)), *nvme(1, disk(out / "two", 64))]
    found = emulator.boot(devices, LOADED, out)
    assert (out / "removed.json").exists(), found.log
    return out


def document(path: Path) -> Any:
    return json.loads(path.read_text())


def test_errors_under_load_are_found_at_once_on_the_right_link(loaded: Path) -> None:
    found = document(loaded / "loaded.json")
    assert found["verdict"] == "failed"
    assert (loaded / "loaded.status").read_text().strip() == "1"
    by_title = {link["title"].rpartition(" ")[2]: link for link in found["links"]}
    (errors,) = by_title["0000:00:10.0)"]["errors"]
    assert (errors["events"], errors["direction"]) == (7, "component to host")
    assert by_title["0000:00:11.0)"]["errors"] == []
    measured = {item["target"] for item in found["carriage"]}
    assert measured == {"/dev/nvme0n1", "/dev/nvme1n1"}
    assert {item["direction"] for item in found["carriage"]} >= {"to host"}


def test_they_are_detected_within_two_samples(loaded: Path) -> None:
    entries = read_entries(loaded / "loaded.jsonl")
    start = entries[0]
    assert isinstance(start, Start)
    counted = [entry for entry in entries if isinstance(entry, CountedErrors)]
    assert sum(entry.count for entry in counted) == 7
    first, last = (float(text) - start.boot_clock_s for text in (loaded / "injected").read_text().split())
    samples = [entry.t for entry in entries if isinstance(entry, Sample)]
    for moment, seen in ((first, counted[0].t), (last, counted[-1].t)):
        between = [t for t in samples if moment < t <= seen]
        assert len(between) <= 2, (moment, seen, between)


def test_a_device_removed_under_load_is_urgent(loaded: Path) -> None:
    found = document(loaded / "removed.json")
    assert (loaded / "removed.status").read_text().strip() == "2"
    gone = [event for event in found["events"] if event["kind"] == "gone"]
    assert [event["place"] for event in gone] == ["0000/0/11.0"]
    assert found["complete"] is True


def test_watch_hears_of_the_device_from_the_kernel(loaded: Path) -> None:
    heard = [json.loads(line) for line in (loaded / "watched.jsonl").read_text().splitlines()]
    told = {(item["kind"], item.get("address")) for item in heard}
    assert ("device remove", "0000:02:00.0") in told
    assert ("gone", "0000:02:00.0") in told


def test_a_raw_device_is_written_only_where_all_was_named(loaded: Path) -> None:
    told = (loaded / "refused").read_text().splitlines()
    assert [line for line in told if line.isdecimal()] == ["64"] * 3
    assert "would be overwritten (serial number serial-0)" in told[0]
    assert "/dev/nvme0n1: holds data of somebody's: ext4 at byte 1080" in told[2]
    assert "--overwrite-signature ext4" in told[2]
    assert "/dev/nvme9n9: is no block device" in told[4]
    assert (
        len([line for line in told if "No such file or directory" in line]) == 2
    )  # neither a record nor a file in /dev


DAMAGED = """
    linkprobe soak --minutes 0.2 --load storage-round-trip:/dev/nvme0n1 --raw serial-0 --size 8388608 --json \
        -o /out/damaged.jsonl > /out/damaged.json
"""


def test_a_bit_flipped_on_the_way_back_is_found_at_its_offset(guest_ready: None, tmp_path: Path) -> None:
    where = 3 * MIB + 1234
    with tempfile.TemporaryDirectory() as short, DamagingDisk(Path(short) / "s", 64 * MIB, flipping(where)) as served:
        emulator.boot(nvme(0, served.drive("d0")), DAMAGED, tmp_path)
    found = document(tmp_path / "damaged.json")
    assert found["verdict"] == "failed"
    assert {(item["offset"], item["bits"]) for item in found["mismatches"]} == {(where, 1)}


KILLED = """
    mount -t ext4 /dev/nvme0n1 /mnt
    linkprobe soak --minutes 5 --load storage-read --block 1048576 --interval 0.5 -o /mnt/journal.jsonl &
    count() { cat /mnt/journal.jsonl 2>/dev/null | grep -c '"sample"'; }
    until [ "$(count)" -ge 6 ] && grep -q '"pass"' /mnt/journal.jsonl; do sleep 0.3; done  # a pass comes with a phase's end
    touch /out/ready-$(count)
    wait
"""
CLOSED = """
    mount -t ext4 /dev/nvme0n1 /mnt
    linkprobe soak close /mnt/journal.jsonl --json > /out/closed.json
    echo $? > /out/closed.status
"""


def test_the_machine_killed_and_the_record_closed(guest_ready: None, tmp_path: Path) -> None:
    image = disk(tmp_path / "disk", 96, file_system=True)
    first, second = tmp_path / "first", tmp_path / "second"
    emulator.write_job(first, KILLED)
    process = subprocess.Popen(
        emulator.command(nvme(0, image), first), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    until = time.monotonic() + emulator.TIMEOUT_S
    while not (ready := list(first.glob("ready-*"))):
        assert process.poll() is None, (first / "log").read_text()
        assert time.monotonic() < until
        time.sleep(0.1)
    process.kill()
    process.wait()
    flushed = int(ready[0].name.removeprefix("ready-"))
    emulator.boot(nvme(0, image), CLOSED, second)
    found = document(second / "closed.json")
    assert found["samples"] >= flushed
    assert found["complete"] is False
    assert "the host went down after the last sample" in found["ended"]
    assert found["verdict"] == "inconclusive"  # cut short, it neither passed nor showed a fault
    assert [item["target"] for item in found["carriage"]] == ["/dev/nvme0n1"]
