"""Who uses what, read from files as the kernel lays them out; routes and mounts in the kernel's own text."""

import errno
import ipaddress
import os
import subprocess
import sys
from pathlib import Path

import pytest

from probe.evidence import Unread, Why
from probe.host.exclusive import ExclusiveHold
from probe.host.mounts import Mount, kind_of_file_system, parse_mounts
from probe.host.processes import Login, open_devices, remote_logins
from probe.host.resets import read_resets
from probe.host.routes import _routes, interfaces_towards, towards
from probe.host.source import DirectorySource, MemorySource
from probe.host.uses import BlockDevice, Display, Interface, PlatformDevice, Uses, read_uses

BELOW = "devices/pci0000:00/0000:00:01.0/0000:01:00.0"


def source(files: dict[str, str], links: dict[str, str] | None = None) -> MemorySource:
    return MemorySource({path: text.encode() for path, text in files.items()}, links or {}, "test")


def uses(files: dict[str, str], links: dict[str, str] | None = None) -> Uses:
    return read_uses(source(files, links))


def test_disks_with_what_is_built_on_them() -> None:
    found = uses(
        {
            f"sys/{BELOW}/nvme/nvme0/nvme0n1/dev": "259:0\n",
            f"sys/{BELOW}/nvme/nvme0/nvme0n1/holders/dm-0": "",
            "sys/devices/virtual/block/dm-0/dev": "254:0\n",
            "sys/devices/virtual/block/dm-0/dm/name": "vg-home\n",
        },
        {
            "sys/class/block/nvme0n1": f"../../{BELOW}/nvme/nvme0/nvme0n1",
            "sys/class/block/dm-0": "../../devices/virtual/block/dm-0",
        },
    )
    assert found.block_devices == (
        BlockDevice(name="dm-0", number="254:0", paths=("devices/virtual/block/dm-0",), title="vg-home"),
        BlockDevice(name="nvme0n1", number="259:0", paths=(f"{BELOW}/nvme/nvme0/nvme0n1",), holders=("dm-0",)),
    )
    assert not found.unread


def test_a_disk_with_several_paths_names_its_controllers() -> None:
    head = "devices/virtual/nvme-subsystem/nvme-subsys0/nvme0n1"
    (disk,) = uses(
        {f"sys/{head}/dev": "259:0\n", f"sys/{BELOW}/nvme/nvme1/address": "0000:01:00.0\n"},
        {
            "sys/class/block/nvme0n1": f"../../{head}",
            "sys/class/nvme-subsystem/nvme-subsys0": "../../devices/virtual/nvme-subsystem/nvme-subsys0",
            "sys/devices/virtual/nvme-subsystem/nvme-subsys0/nvme1": f"../../../../{BELOW}/nvme/nvme1",
            "sys/class/nvme/nvme1": f"../../{BELOW}/nvme/nvme1",
        },
    ).block_devices
    assert disk.paths == (head, f"{BELOW}/nvme/nvme1")


def test_interfaces_displays_and_what_the_machine_rests_on() -> None:
    found = uses(
        {
            f"sys/{BELOW}/net/eth0/flags": "0x1003\n",
            f"sys/{BELOW}/net/eth1/flags": "0x1002\n",
            f"sys/{BELOW}/drm/card0/card0-DP-1/status": "connected\n",
            f"sys/{BELOW}/tty/ttyS4/dev": "4:68\n",
            "sys/class/tty/console/active": "tty0 ttyS4\n",
            f"sys/{BELOW}/watchdog/watchdog0/dev": "248:0\n",
            f"sys/{BELOW}/boot_vga": "1\n",
            "proc/net/route": "Iface\tDestination\tGateway\tFlags\tRefCnt\tUse\tMetric\tMask\n"
            "eth0\t00000000\t0102A8C0\t0003\t0\t0\t100\t00000000\n",
            "proc/swaps": "Filename\tType\tSize\tUsed\tPriority\n/dev/nvme0n1p2   partition  1000  0  -2\n",
            "sys/kernel/security/lockdown": "none [integrity] confidentiality\n",
        },
        {
            "sys/class/net/eth0": f"../../{BELOW}/net/eth0",
            "sys/class/net/eth1": f"../../{BELOW}/net/eth1",
            f"sys/{BELOW}/net/eth0/upper_bond0": "../../../../../virtual/net/bond0",
            "sys/class/drm/card0-DP-1": f"../../{BELOW}/drm/card0/card0-DP-1",
            "sys/class/tty/ttyS4": f"../../{BELOW}/tty/ttyS4",
            "sys/class/watchdog/watchdog0": f"../../{BELOW}/watchdog/watchdog0",
            "sys/bus/pci/devices/0000:01:00.0": f"../../../{BELOW}",
        },
    )
    assert found.interfaces == (
        Interface(name="eth0", path=f"{BELOW}/net/eth0", up=True, uppers=("bond0",)),
        Interface(name="eth1", path=f"{BELOW}/net/eth1", up=False),
    )
    assert found.routed == ("eth0",)
    assert found.swaps == ("/dev/nvme0n1p2",)
    assert found.displays == (
        Display(name="card0-DP-1", path=f"{BELOW}/drm/card0/card0-DP-1", kind="screen"),
        Display(name="ttyS4", path=f"{BELOW}/tty/ttyS4", kind="console"),
    )
    assert found.boot_displays == ("0000:01:00.0",)
    assert found.platform == (PlatformDevice("watchdog0", f"{BELOW}/watchdog/watchdog0", "watchdog"),)
    assert found.lockdown == "integrity"


def test_a_file_that_is_there_and_is_not_given_is_told() -> None:
    path = f"sys/{BELOW}/net/eth0/flags"
    denied = Unread(path, Why.DENIED, "Permission denied")
    memory = MemorySource({path: b""}, {"sys/class/net/eth0": f"../../{BELOW}/net/eth0"}, "test", {path: denied})
    found = read_uses(memory)
    assert found.interfaces[0].up is None
    assert found.unread == (denied,)


# Documentation/filesystems/proc.rst, 3.5: its own example, and a mount point with a space in it.
MOUNTINFO = """\
36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue
37 35 259:2 / /srv/two\\040words rw - ext4 /dev/nvme0n1p2 rw
not a mount
"""


@pytest.mark.published("Documentation/filesystems/proc.rst, 3.5 /proc/<pid>/mountinfo")
def test_mounts() -> None:
    assert parse_mounts(MOUNTINFO) == (
        Mount("98:0", "/mnt2", "ext3", "/dev/root"),
        Mount("259:2", "/srv/two words", "ext4", "/dev/nvme0n1p2"),
    )


def test_the_kind_of_a_file_system() -> None:
    assert kind_of_file_system(Path("/proc").stat().st_dev) == "proc"
    assert kind_of_file_system(Path("/sys").stat().st_dev) == "sysfs"
    assert kind_of_file_system(0) is None


ROUTE = """\
Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT
eth0\t00000000\t0102A8C0\t0003\t0\t0\t100\t00000000\t0\t0\t0
eth1\t0009080A\t00000000\t0001\t0\t0\t0\t00FFFFFF\t0\t0\t0
"""
ROUTE_6 = """\
20010db8000000000000000000000000 40 00000000000000000000000000000000 00 00000000000000000000000000000000 00000100 00000001 00000000 00000001     eth2
00000000000000000000000000000000 00 00000000000000000000000000000000 00 fe800000000000000000000000000001 00000400 00000001 00000000 00000003     eth3
"""


@pytest.mark.parametrize(
    ("peer", "interface"),
    [("10.8.9.7", "eth1"), ("10.8.8.7", "eth0"), ("2001:db8::7", "eth2"), ("2001:db9::7", "eth3")],
)
def test_the_most_specific_route_carries_a_peer(peer: str, interface: str) -> None:
    routes = list(_routes(source({"proc/net/route": ROUTE, "proc/net/ipv6_route": ROUTE_6})))
    assert towards(ipaddress.ip_address(peer), routes) == interface


def test_logins_that_name_no_address_lead_nowhere_and_loopback_is_no_link() -> None:
    tables = source({"proc/net/route": ROUTE, "proc/net/ipv6_route": ROUTE_6})
    assert interfaces_towards([Login("somewhere"), Login("127.0.0.1", "127.0.0.1")], tables) in {(), ("eth0",)}
    assert interfaces_towards([Login("10.8.9.7")], tables) == ("eth1",)


def test_a_login_is_known_through_programs_that_drop_their_environment() -> None:
    """As sudo does: the shell above still says where it was called from."""
    inner = "from probe.host.processes import remote_logins; print(remote_logins())"
    outer = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {inner!r}], env={{'PYTHONPATH': {str(Path.cwd())!r}}})"
    done = subprocess.run(
        [sys.executable, "-c", outer], env={"SSH_CONNECTION": "192.0.2.7 5000 192.0.2.1 22"}, capture_output=True,
        text=True, check=True,
    )  # fmt: skip
    assert "Login(peer='192.0.2.7', local='192.0.2.1')" in done.stdout
    assert Login("192.0.2.7", "192.0.2.1") not in remote_logins()


def test_who_holds_a_device_file_open() -> None:
    device = next((path for path in map(Path, ("/dev/tty0", "/dev/console", "/dev/loop0")) if path.exists()), None)
    if os.geteuid() != 0 or device is None:
        assert os.geteuid() == 0 or isinstance(open_devices(DirectorySource()), Unread)
        return
    with device.open("rb") as file, subprocess.Popen(["sleep", "60"], stdin=file) as process:
        try:
            seen = open_devices(DirectorySource())
            assert not isinstance(seen, Unread)
            (item,) = (item for item in seen if item.process == process.pid and item.file == str(device))
            assert (item.command, (item.path or "").rsplit("/", 1)[-1]) == ("sleep", device.name)
            assert os.getpid() not in {item.process for item in seen}  # what we hold ourselves is no obstacle
        finally:
            process.kill()


def test_a_disk_that_cannot_be_opened_is_no_disk_that_is_free(tmp_path: Path) -> None:
    hold = ExclusiveHold(tmp_path)
    (refused,) = hold.take(["nvme0n1"])
    assert (refused.name, refused.busy) == ("nvme0n1", False)
    assert refused.why == os.strerror(errno.ENOENT)
    (tmp_path / "nvme1n1").touch()
    assert hold.take(["nvme1n1", "nvme1n1"]) == ()
    hold.let_go()


KALLSYMS = "0000000000000000 T pci_reset_bus\n0000000000000000 T pci_{}_reset_bridge\n0000000000000000 T {}\n"


@pytest.mark.parametrize(
    ("symbols", "ignores"),
    [
        (KALLSYMS.format("try", "pci_hp_ignore_link_change"), True),
        (KALLSYMS.format("other", "pci_hp_ignore_link_change"), False),
        (KALLSYMS.format("try", "pci_hp_add"), False),
        ("", None),
    ],
)
def test_whether_hot_plug_lets_a_reset_pass_is_asked_of_the_kernel_itself(symbols: str, ignores: bool | None) -> None:
    port = "0000:00:01.0"
    files = {
        "proc/kallsyms": symbols,
        f"sys/devices/pci0000:00/{port}/reset_subordinate": "",
        f"sys/devices/pci0000:00/{port}/{port}:pcie004/uevent": "",
        f"sys/{BELOW}/reset_method": "flr bus\n",
        "sys/bus/pci_express/drivers/pciehp/uevent": "",
    }
    links = {
        f"sys/bus/pci/devices/{port}": f"../../../devices/pci0000:00/{port}",
        "sys/bus/pci/devices/0000:01:00.0": f"../../../{BELOW}",
        f"sys/bus/pci_express/devices/{port}:pcie004": f"../../../devices/pci0000:00/{port}/{port}:pcie004",
        f"sys/devices/pci0000:00/{port}/{port}:pcie004/driver": "../../../../bus/pci_express/drivers/pciehp",
    }
    found = read_resets(source(files, links), port, ("0000:01:00.0",))
    assert found.subordinate
    assert found.methods == {"0000:01:00.0": ("flr", "bus")}
    assert (found.hot_plug_driver, found.ignores_resets) == ("pciehp", ignores)
