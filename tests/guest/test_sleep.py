"""A real kernel's runtime power management: what sleeps is not woken by any command that reads, and is told as asleep.

Linux, Documentation/power/runtime_pm.rst: a suspended device is counted in power/runtime_active_time no more; whatever
resumes it, or its port, makes that time grow. Documentation/ABI/testing/sysfs-devices-power.
"""

import json
from pathlib import Path

import pytest

from probe.documents.files import read_snapshot
from probe.evidence import Why
from probe.verdict.verdicts import Verdict
from tests.guest import emulator

pytestmark = pytest.mark.guest

PORT, CARD = "0000:00:10.0", "0000:01:00.0"
DEVICES = """
-device pcie-root-port,id=rp1,bus=pcie.0,chassis=1,slot=1,addr=10.0,x-speed=8,x-width=4,hotplug=off
-device e1000e,bus=rp1
"""
ENDS = f"/sys/bus/pci/devices/{PORT} /sys/bus/pci/devices/{CARD}"
COMMANDS = (
    "audit", "audit --json", f"explain {CARD}", "snapshot -o /tmp/s.json", "paths", "settings", "self-check",
    "collect --spool /tmp/spool --metrics /tmp/m.prom", "watch --minutes 0.02 --interval 0.2",
    "soak --minutes 0.05 --interval 0.2 -o /tmp/r.jsonl", "capture-script",
)  # fmt: skip

# A card without a driver is suspended by the kernel once it may; its port follows, as nothing below it is awake
# (Documentation/power/pci.rst, 2.3; pcie_port_pm=force, since the emulator's firmware is of 2014). Both stay in D0: the
# emulator's port has no power management capability, and without a driver the card's state is left as it is.
JOB = f"""
    echo {CARD} > /sys/bus/pci/devices/{CARD}/driver/unbind
    for end in {ENDS}; do echo auto > $end/power/control; done
    for end in {ENDS}; do
        for try in $(seq 100); do [ "$(cat $end/power/runtime_status)" = suspended ] && break; sleep 0.1; done
    done
    told() {{ for end in {ENDS}; do
        echo "$1 $(cat $end/power/runtime_status) $(cat $end/power_state) $(cat $end/power/runtime_active_time)"
    done >> /out/told; }}
    told before
    while read -r command; do
        linkprobe $command > "/out/$(echo $command | cut -d' ' -f1).txt" 2>&1; echo "$? $command" >> /out/statuses
        told "$(echo $command | cut -d' ' -f1)"
    done <<'COMMANDS'
{chr(10).join(COMMANDS)}
COMMANDS
    busybox sh /out/capture-script.txt /tmp/all.tar; told capture
    linkprobe snapshot -o /out/asleep.json
    linkprobe audit --json > /out/asleep.audit.json
    od -An -tx1 -N4 /sys/bus/pci/devices/{CARD}/config > /dev/null; told read-by-hand
"""


@pytest.fixture(scope="module")
def asleep(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("asleep")
    found = emulator.boot(DEVICES.split(), JOB, out, append="pcie_port_pm=force")
    assert found.status == 0, found.log
    return out


def told(out: Path) -> list[list[str]]:
    return [line.split() for line in (out / "told").read_text().splitlines()]


def test_no_command_wakes_a_card_or_its_port(asleep: Path) -> None:
    before, rest = told(asleep)[:2], told(asleep)[2:-2]
    assert [row[1:3] for row in before] == [["suspended", "D0"]] * 2
    assert {tuple(row[1:]) for row in rest} == {tuple(row[1:]) for row in before}
    assert len(rest) == 2 * (len(COMMANDS) + 1)


def test_a_read_of_config_would_have_been_seen(asleep: Path) -> None:
    """The kernel wakes the port for it (drivers/pci/pci.c, `pci_config_pm_runtime_get`), so that the check can fail."""
    port_before, port_after = told(asleep)[0], told(asleep)[-2]
    assert int(port_after[3]) > int(port_before[3])


def test_what_sleeps_is_told_as_asleep(asleep: Path) -> None:
    snapshot = read_snapshot(str(asleep / "asleep.json"))
    for address in (PORT, CARD):
        function = next(item for item in snapshot.evidence.functions if item.address == address)
        unread = function.why_unread("config")
        assert unread is not None
        assert unread.why is Why.ASLEEP
    link = next(item for item in json.loads((asleep / "asleep.audit.json").read_text())["links"]
                if item["downstream_port"] == PORT)  # fmt: skip
    assert link["verdict"] == Verdict.RESTING
    assert link["upstream_port"] == CARD
