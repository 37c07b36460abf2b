"""Where the machine writes its memory when it crashes: to lose that disk is to lose the evidence of the next crash.

Sources: kdump.conf(5), kdump-tools(5); kernel `Documentation/admin-guide/pstore-blk.rst`; that a crash kernel is
loaded, `Documentation/ABI/testing/sysfs-kernel-kexec`. A directory is left out: what is mounted is in use already.
"""

from collections.abc import Iterator

import msgspec

from probe.evidence import Unread
from probe.host.source import Source

_LOADED = ("sys/kernel/kexec_crash_loaded", "sys/kernel/kexec/crash_loaded")
_KDUMP_CONF, _ELSEWHERE = "etc/kdump.conf", ("etc/default/kdump-tools", "etc/sysconfig/kdump")
_PANIC_LOG = "sys/module/pstore_blk/parameters/blkdev"
_FILE_SYSTEMS = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "minix", "f2fs", "virtiofs"})
_BY = {"UUID": "by-uuid", "LABEL": "by-label", "PARTUUID": "by-partuuid", "PARTLABEL": "by-partlabel"}
_DIRECT = "raw"
_LINKS = 4


class CrashDump(msgspec.Struct, frozen=True, kw_only=True):
    """The block devices that a crash is written to, by the kernel's names; `unknown` says what could not be found out.

    Devices of a file system that is mounted need not be among them.
    """

    devices: tuple[str, ...] = ()
    unknown: str | None = None


def read_crash_dump(source: Source) -> CrashDump:
    """Where crashes go. Nothing, where no crash kernel is loaded and the kernel's own log of them is off."""
    named = list(_panic_log(source))
    if any(source.text(path) == "1" for path in _LOADED):
        settings = source.text(_KDUMP_CONF)
        if isinstance(settings, str):
            named += _targets(settings)
        elif all(isinstance(source.text(path), Unread) for path in _ELSEWHERE):
            return CrashDump(
                devices=tuple(filter(None, (_device(source, name) for name in named))),
                unknown="a crash kernel is loaded, and no settings say where it writes to",
            )
    found = {name: _device(source, name) for name in named}
    missing = [name for name, device in found.items() if device is None]
    return CrashDump(
        devices=tuple(device for device in found.values() if device is not None),
        unknown=f"crashes are written to {', '.join(missing)}, which was not found" if missing else None,
    )


def _targets(settings: str) -> Iterator[str]:
    """The devices of kdump.conf: `raw DEVICE`, or a file system and its device."""
    for line in settings.splitlines():
        words = line.split("#", maxsplit=1)[0].split()
        if len(words) > 1 and (words[0] == _DIRECT or words[0] in _FILE_SYSTEMS):
            yield words[1].strip("\"'")


def _panic_log(source: Source) -> Iterator[str]:
    text = source.text(_PANIC_LOG)
    if isinstance(text, str) and text not in {"", "(null)"}:
        yield text


def _device(source: Source, name: str) -> str | None:
    """The kernel's name of a block device, by the file, the label or the number that names it; None where none is."""
    kind, is_by, value = name.partition("=")
    path = f"dev/disk/{_BY[kind]}/{value}" if is_by and kind in _BY else name.lstrip("/")
    major, colon, minor = name.partition(":")
    if colon and major.isdecimal() and minor.isdecimal():
        path = f"sys/dev/block/{name}"
    for _ in range(_LINKS):
        target = source.target(path)
        if isinstance(target, Unread):
            return None
        if target == path:
            break
        path = target
    device = path.rsplit("/", 1)[-1]
    return device if not isinstance(source.target(f"sys/class/block/{device}"), Unread) else None
