"""Where crashes are written to, by the settings and the kernel's own words.

Spellings of kdump.conf(5), kdump-tools(5), and the kernel's admin-guide/pstore-blk.rst.
"""

import pytest

from probe.host.crash_dump import CrashDump, read_crash_dump
from probe.host.source import MemorySource

BLOCK = "sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0/nvme/nvme0/nvme0n1"
LINKS = {
    "sys/class/block/nvme0n1": "../../devices/pci0000:00/0000:00:01.0/0000:01:00.0/nvme/nvme0/nvme0n1",
    "sys/class/block/nvme0n1p3": "../../devices/pci0000:00/0000:00:01.0/0000:01:00.0/nvme/nvme0/nvme0n1/nvme0n1p3",
    "sys/class/block/dm-2": "../../devices/virtual/block/dm-2",
    "sys/dev/block/259:3": "../../devices/pci0000:00/0000:00:01.0/0000:01:00.0/nvme/nvme0/nvme0n1/nvme0n1p3",
    "dev/disk/by-uuid/1234-abcd": "../../nvme0n1p3",
    "dev/disk/by-label/crash": "../../nvme0n1p3",
    "dev/mapper/vg-crash": "../dm-2",
}
FILES = {f"{BLOCK}/nvme0n1p3/dev": b"259:3\n", "sys/devices/virtual/block/dm-2/dev": b"254:2\n"}
FILES |= dict.fromkeys(("dev/nvme0n1", "dev/nvme0n1p3", "dev/dm-2"), b"")


def read(**files: str) -> CrashDump:
    names = {
        "loaded": "sys/kernel/kexec_crash_loaded", "loaded_now": "sys/kernel/kexec/crash_loaded",
        "kdump_conf": "etc/kdump.conf", "kdump_tools": "etc/default/kdump-tools",
        "panic_log": "sys/module/pstore_blk/parameters/blkdev",
    }  # fmt: skip
    own = {names[name]: text.encode() for name, text in files.items()}
    return read_crash_dump(MemorySource(FILES | own, LINKS, "made"))


@pytest.mark.parametrize(
    ("line", "device"),
    [
        ("raw /dev/nvme0n1p3", "nvme0n1p3"),
        ("raw /dev/mapper/vg-crash", "dm-2"),
        ("ext4 UUID=1234-abcd", "nvme0n1p3"),
        ("xfs LABEL=crash  # the dump disk", "nvme0n1p3"),
        ("ext4 /dev/disk/by-uuid/1234-abcd", "nvme0n1p3"),
    ],
)
@pytest.mark.parametrize("loaded", ["loaded", "loaded_now"])
def test_the_device_of_the_settings(line: str, device: str, loaded: str) -> None:
    found = read(
        **{loaded: "1\n", "kdump_conf": f"# a comment\npath /var/crash\n{line}\ncore_collector makedumpfile\n"}
    )
    assert found == CrashDump(devices=(device,))


def test_without_a_crash_kernel_the_settings_say_nothing() -> None:
    assert read(loaded="0\n", kdump_conf="raw /dev/nvme0n1p3") == CrashDump()
    assert read(kdump_conf="raw /dev/nvme0n1p3") == CrashDump()


def test_a_directory_is_mounted_and_in_use_anyway() -> None:
    assert read(loaded="1\n", kdump_conf="path /var/crash\n#raw /dev/nvme0n1p3\nnfs backup:/dumps") == CrashDump()
    assert read(loaded="1\n", kdump_tools='KDUMP_COREDIR="/var/crash"') == CrashDump()


@pytest.mark.parametrize("name", ["/dev/nvme0n1p3", "259:3"])
def test_the_kernels_own_log_of_panics(name: str) -> None:
    assert read(panic_log=f"{name}\n") == CrashDump(devices=("nvme0n1p3",))
    assert read(panic_log="(null)\n") == CrashDump()


def test_what_cannot_be_found_out_is_told() -> None:
    assert "no settings say where" in (read(loaded="1\n").unknown or "")
    missing = read(loaded="1\n", kdump_conf="raw /dev/sdz9")
    assert "crashes are written to /dev/sdz9, which was not found" in (missing.unknown or "")
