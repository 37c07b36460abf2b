"""Four ways in which a card goes, and virtual functions, as a real kernel has them: each told for what it is.

The emulator has no Downstream Port Containment, so containment is shown on made-up machines alone.
"""

import subprocess
from pathlib import Path

import pytest

from probe.audit.audit import audit
from probe.compare.changes import exit_status
from probe.compare.diff import diff
from probe.compare.presence_changes import Gone
from probe.compare.removal import Way
from probe.documents.files import read_snapshot
from probe.exit_status import ExitStatus
from probe.verdict.verdicts import Verdict
from tests.guest import emulator
from tests.guest.test_errors_and_hot_plug import Monitor
from tests.guest.test_errors_and_hot_plug import _wait as wait_for

pytestmark = pytest.mark.guest

SLOTS = "".join(
    f"-device pcie-root-port,id=rp{n},bus=pcie.0,chassis={n},slot={n},addr={0x0F + n:x}.0,x-speed=8,x-width=4 "
    f"-device e1000e,bus=rp{n},id=net{n} "
    for n in (1, 2, 3, 4)
)
DEVICES = f"""
-global ICH9-LPC.acpi-pci-hotplug-with-bridge-support=off {SLOTS}
-device nvme-subsys,id=sub0
-device pcie-root-port,id=rp5,bus=pcie.0,chassis=5,slot=5,addr=14.0,x-speed=16,x-width=4
-device nvme,bus=rp5,serial=s1,subsys=sub0,sriov_max_vfs=4,sriov_vq_flexible=8,sriov_vi_flexible=4
"""

# In slot 4 the emulator takes the card out when its power goes; power is back before the port may tell of it (Slot
# Control: power controller and indicator off, hot-plug interrupt disabled), so that the kernel finds it gone by itself.
JOB = """
    linkprobe snapshot -o /out/before.json
    touch /out/ready; while [ ! -e /out/go ]; do sleep 0.2; done; sleep 9
    echo 0 > /sys/bus/pci/slots/2/power
    echo 1 > /sys/bus/pci/devices/0000:03:00.0/remove
    python3 - <<'PYTHON'
path = "/sys/bus/pci/devices/0000:00:13.0/config"
with open(path, "r+b", buffering=0) as file:
    file.seek(0x34); at = file.read(1)[0]
    while at:
        file.seek(at); kind, following = file.read(2)
        if kind == 0x10:
            break
        at = following
    file.seek(at + 0x18); control = int.from_bytes(file.read(2), "little")
    for value in ((control | 0x0700) & ~0x0020, control):
        file.seek(at + 0x18); file.write(value.to_bytes(2, "little"))
PYTHON
    sleep 3
    linkprobe snapshot -o /out/after.json
    echo 3 > /sys/bus/pci/devices/0000:05:00.0/sriov_numvfs
    sleep 1
    linkprobe snapshot -o /out/virtual.json
    setpriv --reuid 65534 --clear-groups linkprobe snapshot -o - > /out/user.json
"""


@pytest.fixture(scope="module")
def removed(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("removals")
    socket = Path("/tmp") / f"linkprobe-removals-{id(out)}"  # noqa: S108 - short, as a socket's name must be
    emulator.write_job(out, JOB)
    command = [*emulator.command(DEVICES.split(), out), "-monitor", f"unix:{socket},server=on,wait=off"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        wait_for(out / "ready", process)
        Monitor(socket).say("device_del net1")  # with native hot-plug the emulator presses the attention button
        (out / "go").touch()
        process.wait(emulator.TIMEOUT_S)
    finally:
        process.kill()
        socket.unlink(missing_ok=True)
    assert emulator.finished(out).status == 0, (out / "log").read_text()
    return out


def test_each_way_is_told_for_what_it_is(removed: Path) -> None:
    document = diff(read_snapshot(str(removed / "before.json")), read_snapshot(str(removed / "after.json")))
    gone = {
        change.place.rpartition(" ")[2]: change.what.removal.way
        for change in document.changes
        if isinstance(change.what, Gone)
    }
    assert gone == {
        "0000:00:10.0)": Way.BUTTON,
        "0000:00:11.0)": Way.POWER_OFF,
        "0000:00:12.0)": Way.SOFTWARE,
        "0000:00:13.0)": Way.SURPRISE,
    }
    urgent = {change.place.rpartition(" ")[2] for change in document.changes if change.urgent}
    assert urgent == {"0000:00:13.0)"}
    assert exit_status(document) is ExitStatus.URGENT


def test_virtual_functions_have_no_link_and_change_nothing(removed: Path) -> None:
    before, after = (read_snapshot(str(removed / f"{name}.json")) for name in ("after", "virtual"))
    virtual = [item for item in after.evidence.functions if item.physical_function == "0000:05:00.0"]
    assert [item.address for item in virtual] == ["0000:05:00.1", "0000:05:00.2", "0000:05:00.3"]
    document = diff(before, after)
    assert document.changes == ()
    assert exit_status(document) is ExitStatus.CLEAN
    for name in ("virtual", "user"):
        links = audit(read_snapshot(str(removed / f"{name}.json")).evidence).links
        (link,) = (item for item in links if item.downstream_port == "0000:00:14.0")
        assert link.verdict is Verdict.FULL
        assert link.component is not None
        assert link.component.functions == ("0000:05:00.0",)
        assert not {item.address for item in virtual} & {link.upstream_port for link in links}
