"""The guest runs where its programs are; in continuous integration it must."""

import os
from pathlib import Path

import pytest

from fake_sysfs.description import SlotRecord
from fake_sysfs.smbios import dmi_table
from probe.audit.snapshot import Snapshot
from probe.documents.files import read_snapshot
from probe.registers.smbios import raw_structures
from tests.guest import emulator

SLOTS = (
    SlotRecord(designation="Made-up riser 1", type_code=0xBD, width_code=0x0D, address="0000:00:10.0", id=1),
    SlotRecord(designation="Made-up riser 2", type_code=0xB5, width_code=0x0A, address="0000:00:11.0", id=2),
)
TOPOLOGY = """
-device pcie-root-port,id=rp1,bus=pcie.0,chassis=1,slot=1,addr=10.0,x-speed=16,x-width=16
-drive file=null-co://,if=none,id=d1,format=raw -device nvme,bus=rp1,drive=d1,serial=s1,id=nvme1
-device pcie-root-port,id=rp2,bus=pcie.0,chassis=2,slot=2,addr=11.0,x-speed=8,x-width=4
-device e1000e,bus=rp2,id=net1
-device pcie-root-port,id=rp3,bus=pcie.0,chassis=3,slot=3,addr=12.0,x-speed=16,x-width=32
-device pcie-root-port,id=rp4,bus=pcie.0,chassis=4,slot=4,addr=13.0
-device x3130-upstream,id=up,bus=rp4
-device xio3130-downstream,id=dn0,bus=up,chassis=5,slot=5
-device xio3130-downstream,id=dn1,bus=up,chassis=6,slot=6
-drive file=null-co://,if=none,id=d2,format=raw -device nvme,bus=dn0,drive=d2,serial=s2
-device pxb-pcie,id=pxb,bus_nr=0x40,bus=pcie.0,addr=14.0
-device pcie-root-port,id=rp5,bus=pxb,chassis=7,slot=7,addr=0.0
-device e1000e,bus=rp5
-device pcie-pci-bridge,id=pcib,bus=pcie.0,addr=15.0
-device e1000,bus=pcib,addr=1
"""


@pytest.fixture(scope="session")
def guest_ready() -> None:
    """Skip where the emulator cannot run, unless it is required."""
    lacking = emulator.missing()
    if lacking and os.environ.get("LINKPROBE_GUEST") != "required":
        pytest.skip(f"the guest needs {', '.join(lacking)}")
    assert not lacking


@pytest.fixture(scope="session")
def seen(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> emulator.Finished:
    """One boot of the whole topology: a snapshot as root and one without privilege."""
    out = tmp_path_factory.mktemp("guest")
    files = []
    for index, record in enumerate(list(raw_structures(dmi_table(SLOTS)))[: len(SLOTS)]):
        path = out / f"slot.{index}"
        path.write_bytes(record)
        files += ["-smbios", f"file={path}"]
    job = """
        set -e
        linkprobe snapshot -o /out/root.json
        linkprobe capture-script > /out/capture.sh
        busybox sh /out/capture.sh /out/root.tar
        setpriv --reuid 65534 --clear-groups busybox sh -s /tmp/user.tar < /out/capture.sh; cp /tmp/user.tar /out/
        setpriv --reuid 65534 --clear-groups linkprobe snapshot -o - > /out/user.json
        linkprobe audit
    """
    found = emulator.boot([*TOPOLOGY.split(), *files], job, out)
    assert found.status == 0, found.log
    return found


@pytest.fixture(scope="session")
def as_root(seen: emulator.Finished) -> Snapshot:
    return read_snapshot(str(seen.out / "root.json"))


@pytest.fixture(scope="session")
def as_user(seen: emulator.Finished) -> Snapshot:
    return read_snapshot(str(seen.out / "user.json"))


@pytest.fixture(scope="session")
def guest_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("guest-out")
