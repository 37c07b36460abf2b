"""A plan carried out on a real kernel over three boots: a drive and a network adapter trained, the power cut in the middle of a
soak, the machine started anew because the plan asks for it. Hours add up, and nothing is done twice that was done.
"""

import json
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from tests.guest import emulator
from tests.guest.test_soak import disk, nvme

pytestmark = pytest.mark.guest

OWN, DRIVE, NETWORK = "0000:00:10.0", "0000:00:11.0", "0000:00:12.0"
SOAK_S = 30.0
PLAN = f"""
schema = "linkprobe/qualify-plan/1"
title = "A drive and an adapter"
accept = ["link-loss", "bound:nvme", "bound:e1000e"]
fields = ["operator"]

[[step]]
kind = "snapshot"
name = "before"
judged = false

[[step]]
kind = "trainings"
links = ["{DRIVE}", "{NETWORK}"]
way = "bus-reset"
times = 2

[[step]]
kind = "soak"
minutes = {SOAK_S / 60}
interval_s = 0.5
loads = ["storage-read:/dev/nvme1n1"]
links = ["{DRIVE}"]
block = 1048576
uncounted_errors = true

[[step]]
kind = "reboot"
by_hand = true

[[step]]
kind = "command"
run = ["/bin/sh", "-c", "cat /proc/sys/kernel/random/boot_id"]

[[step]]
kind = "snapshot"
name = "after"
judged = false

[[step]]
kind = "comparison"
before = "before"
after = "after"
"""
RUN = """
    mount -t ext4 /dev/nvme0n1 /mnt
    ip link set eth0 down 2>/dev/null
    lp() { python -m probe "$@"; }
    qualify() {
        lp qualify /mnt/plan.toml -o /mnt/r.json --go --accept link-loss --accept bound:nvme --accept bound:e1000e \\
            --field operator=guest > /out/told 2>&1
    }
"""
FIRST = f"""{RUN}
    cp /out/plan.toml /mnt/
    qualify &
    samples() {{ cat /mnt/r.json.soak 2>/dev/null | grep -c '"sample"'; }}
    while [ "$(samples)" -lt 8 ]; do sleep 0.3; kill -0 $! || exit 9; done
    touch /out/ready
    wait
"""
SECOND = f"""{RUN}
    qualify; echo $? > /out/qualified
    umount /mnt
"""
THIRD = f"""{RUN}
    qualify; echo $? > /out/qualified
    lp verify /mnt/r.json > /out/verified; echo $? >> /out/verified
    lp report /mnt/r.json -o /out/r.html
    cp /mnt/r.json /out/
    umount /mnt
"""


def devices(image: Path, other: Path) -> list[str]:
    """Ports of 5 GT/s: see test_active."""
    port = [
        "-device",
        "pcie-root-port,id=rp2,bus=pcie.0,chassis=3,slot=3,addr=12.0,x-speed=5",
        "-device",
        "e1000e,bus=rp2",
    ]
    slow = [text.replace("chassis=2,", "x-speed=5,x-width=4,chassis=2,") for text in nvme(1, other)]
    return [*nvme(0, image), *slow, *port]


@pytest.fixture(scope="module")
def record(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("qualify")
    hardware = devices(disk(folder / "own", 192, file_system=True), disk(folder / "tested", 64))
    first, second, third = (folder / name for name in ("first", "second", "third"))
    emulator.write_job(first, FIRST)
    (first / "plan.toml").write_text(PLAN)
    _killed_when_ready(hardware, first)
    emulator.boot(hardware, SECOND, second)
    assert (second / "qualified").read_text().strip() == "3", (second / "told").read_text()
    emulator.boot(hardware, THIRD, third)
    assert (third / "r.json").exists(), (third / "told").read_text()
    return third


def _killed_when_ready(hardware: list[str], out: Path) -> None:
    process = subprocess.Popen(
        emulator.command(hardware, out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )  # fmt: skip
    until = time.monotonic() + emulator.TIMEOUT_S
    while not (out / "ready").exists():
        assert process.poll() is None, (
            (out / "told").read_text() if (out / "told").exists() else (out / "log").read_text()
        )
        assert time.monotonic() < until
        time.sleep(0.1)
    process.kill()
    process.wait()


def judged(record: Path) -> Any:
    return json.loads((record / "r.json").read_text())["judged"]


def test_it_went_on_after_a_power_cut_and_a_reboot(record: Path) -> None:
    found = judged(record)
    assert [part["cause"] for part in found["parts"]] == [
        "begun", "the host went down and was started anew", "the machine was started anew, as the plan asked",
    ]  # fmt: skip
    assert len({part["boot_id"] for part in found["parts"]}) == 3
    steps = {step["name"]: step for step in found["steps"]}
    assert {name: step["times_begun"] for name, step in steps.items()} == {
        "before": 1, "trainings": 1, "soak": 2, "reboot": 1, "command": 1, "after": 1, "comparison": 1,
    }  # fmt: skip
    assert steps["reboot"]["result"] == "passed"
    assert found["commands"][0]["lines"] == [found["parts"][2]["boot_id"]]


def test_the_hours_of_the_soak_add_up(record: Path) -> None:
    (soak,) = (step for step in judged(record)["steps"] if step["kind"] == "soak")
    assert SOAK_S - 1.0 <= soak["seconds"] <= SOAK_S + 10.0
    (link,) = soak["links"]
    assert (link["downstream_port"], link["result"]) == (DRIVE, "passed"), link["reasons"]


def test_the_drive_and_the_adapter_were_trained_and_are_back(record: Path) -> None:
    (trainings,) = (step for step in judged(record)["steps"] if step["kind"] == "trainings")
    assert [link["downstream_port"] for link in trainings["links"]] == [DRIVE, NETWORK]
    assert trainings["urgent"] is False


def test_firmware_is_told_as_the_kernel_has_it(record: Path) -> None:
    says = {item["device"]: item["says"] for item in judged(record)["firmware"]}
    assert says["nvme1"]["model"] == "QEMU NVMe Ctrl"
    assert says["nvme1"]["firmware_rev"]


def test_its_own_disk_was_not_touched_and_is_told_as_not_tested(record: Path) -> None:
    untested = {item["what"] for item in judged(record)["not_tested"]}
    assert any(OWN in what for what in untested)


def test_the_record_is_sound_and_has_a_page(record: Path) -> None:
    assert (record / "verified").read_text().split()[0] == "sound"
    assert "Slot" in (record / "r.html").read_text() or "slot" in (record / "r.html").read_text()


ALONE = """
schema = "linkprobe/qualify-plan/1"
[[step]]
kind = "snapshot"
judged = false
[[step]]
kind = "reboot"
[[step]]
kind = "command"
run = ["/bin/sh", "-c", "ls /etc/systemd/system/multi-user.target.wants; cat /proc/self/cgroup"]
"""
INIT = """#!/bin/sh
mount --bind /out/units /etc/systemd/system
mount -t tmpfs tmpfs /tmp
mount -t tmpfs tmpfs /var/tmp
exec /lib/systemd/systemd
"""
BEGIN = """#!/bin/sh
cd {top} || exit 1
export PATH={top}/.venv/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root PYTHONDONTWRITEBYTECODE=1
if [ ! -e /out/begun ]; then
    touch /out/begun
    exec python -m probe qualify /out/plan.toml -o /out/r.json > /out/told 2>&1
fi
n=0
at_its_end() {{ [ -e /out/r.json ] && ! ls /out/units/linkprobe-* > /dev/null 2>&1; }}
until at_its_end || [ $n -ge 600 ]; do sleep 0.5; n=$((n + 1)); done
ls /out/units /out/units/multi-user.target.wants > /out/left
journalctl -b -u 'linkprobe-qualify-*' > /out/journal 2>&1
sync
systemctl poweroff --force --force
"""
SERVICE = """
[Service]
Type=exec
ExecStart=/bin/sh /out/begin
"""


@pytest.fixture(scope="module")
def alone(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two boots of a machine whose init is systemd; nobody gives a command in the second."""
    if shutil.which("systemctl") is None:
        pytest.skip("needs systemd")
    folder = tmp_path_factory.mktemp("alone")
    units, out = folder / "out/units", folder / "out"
    (units / "multi-user.target.wants").mkdir(parents=True)
    (units / "default.target").symlink_to("/lib/systemd/system/multi-user.target")
    for name in ("systemd-tmpfiles-setup.service", "systemd-tmpfiles-clean.timer", "systemd-update-utmp.service"):
        (units / name).symlink_to("/dev/null")  # they would look through all of this host's files
    (units / "begin.service").write_text(SERVICE)
    (units / "multi-user.target.wants/begin.service").symlink_to("/etc/systemd/system/begin.service")
    for name, text in (("init", INIT), ("begin", BEGIN.format(top=emulator.TOP)), ("plan.toml", ALONE)):
        (out / name).write_text(text)
        (out / name).chmod(0o755)
    hardware = nvme(0, disk(folder / "disk", 64))
    for _ in range(2):
        subprocess.run(
            emulator.command(hardware, out, append="guest_init=/out/init"), check=True, timeout=emulator.TIMEOUT_S
        )
    assert (out / "r.json").exists(), (out / "told").read_text() + (out / "journal").read_text()
    return out


def test_a_unit_goes_on_after_the_reboot_and_goes_when_all_is_done(alone: Path) -> None:
    found = judged(alone)
    assert [(step["name"], step["result"]) for step in found["steps"]] == [
        ("snapshot", "passed"), ("reboot", "passed"), ("command", "passed"),
    ]  # fmt: skip
    begin, enabled, cgroup = found["commands"][0]["lines"]
    assert begin == "begin.service"
    assert enabled.startswith("linkprobe-qualify-")
    assert cgroup.endswith(enabled)
    assert "linkprobe" not in (alone / "left").read_text()
