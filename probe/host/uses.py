"""Who uses the devices of this machine: everything that a lost link would take away from somebody.

May live here: what each file says, unjudged, with what could not be read. May not: deciding what may be touched. Paths
are real paths below /sys (`devices/pci0000:00/...`), so that a device below a port is one whose path begins with it.
"""

from collections.abc import Iterator

import msgspec

from probe.evidence import Unread, Why
from probe.host.crash_dump import CrashDump, read_crash_dump
from probe.host.mounts import Mount, parse_mounts
from probe.host.processes import OpenDevice, open_devices, remote_logins, running_tests
from probe.host.routes import interfaces_towards
from probe.host.source import Source
from probe.registers.bits import within

_UP = 0x1


class BlockDevice(msgspec.Struct, frozen=True, kw_only=True):
    """A disk, a partition, or a device made of others. `paths` has one entry a way that leads to it.

    `holders` are the names of the devices built on it; `title` is the name that its maker gave it (device mapper).
    """

    name: str
    number: str
    paths: tuple[str, ...]
    holders: tuple[str, ...] = ()
    title: str | None = None


class Interface(msgspec.Struct, frozen=True, kw_only=True):
    """A network interface; `uppers` are those built on it (bond, bridge, VLAN). None is not read."""

    name: str
    path: str
    up: bool | None = None
    uppers: tuple[str, ...] = ()


class Display(msgspec.Struct, frozen=True, kw_only=True):
    """Something that a person looks at or types on: a connected screen, a frame buffer, a console."""

    name: str
    path: str
    kind: str


class PlatformDevice(msgspec.Struct, frozen=True):
    """A device that the machine itself rests on: a watchdog or a TPM."""

    name: str
    path: str
    kind: str


class Uses(msgspec.Struct, frozen=True, kw_only=True):
    """Everything read about who uses what. `unread` names what the kernel has and did not give."""

    live: bool
    block_devices: tuple[BlockDevice, ...] = ()
    mounts: tuple[Mount, ...] = ()
    swaps: tuple[str, ...] = ()
    btrfs_members: tuple[str, ...] = ()
    interfaces: tuple[Interface, ...] = ()
    routed: tuple[str, ...] = ()
    logged_in_over: tuple[str, ...] = ()
    fabrics: tuple[PlatformDevice, ...] = ()
    displays: tuple[Display, ...] = ()
    boot_displays: tuple[str, ...] = ()
    platform: tuple[PlatformDevice, ...] = ()
    open_devices: tuple[OpenDevice, ...] = ()
    tests: tuple[str, ...] = ()
    crash_dump: CrashDump = CrashDump()
    lockdown: str | None = None
    kernel_margining: tuple[str, ...] = ()
    unread: tuple[Unread, ...] = ()


def read_uses(source: Source) -> Uses:
    """Who uses the devices of the machine that this source shows; processes and logins on a live host alone."""
    return _Reader(source).read()


class _Reader:
    def __init__(self, source: Source) -> None:
        self._source = source
        self._unread: list[Unread] = []

    def read(self) -> Uses:
        source = self._source
        interfaces = tuple(self._interfaces())
        opened = open_devices(source) if source.live else ()
        if isinstance(opened, Unread):
            self._unread.append(opened)
            opened = ()
        return Uses(
            live=source.live,
            block_devices=tuple(self._block_devices()),
            mounts=parse_mounts(self._needed("proc/self/mountinfo")),
            swaps=tuple(line.split()[0] for line in self._needed("proc/swaps").splitlines()[1:] if line.strip()),
            btrfs_members=tuple(self._btrfs_members()),
            interfaces=interfaces,
            routed=tuple(self._routed()),
            logged_in_over=interfaces_towards(remote_logins(), source) if source.live else (),
            fabrics=tuple(self._fabrics()),
            displays=tuple(self._displays()),
            boot_displays=tuple(self._boot_displays()),
            platform=tuple(self._platform()),
            open_devices=opened,
            tests=running_tests() if source.live else (),
            crash_dump=read_crash_dump(source),
            lockdown=self._lockdown(),
            kernel_margining=tuple(self._kernel_margining()),
            unread=tuple(self._unread),
        )

    def _needed(self, path: str) -> str:
        """A file that a live host has; a copied tree may lack it, since nothing in it is in use."""
        text = self._source.text(path)
        if isinstance(text, str):
            return text
        if self._source.live:
            self._unread.append(text)
        return ""

    def _text(self, path: str) -> str | None:
        text = self._source.text(path)
        if isinstance(text, Unread):
            if text.why is not Why.ABSENT:
                self._unread.append(text)
            return None
        return text

    def _names(self, path: str) -> list[str]:
        names = self._source.names(path)
        if isinstance(names, Unread):
            if names.why is not Why.ABSENT:
                self._unread.append(names)
            return []
        return names

    def _class(self, name: str) -> Iterator[tuple[str, str]]:
        """The devices of a class: name and real path below /sys."""
        for entry in self._names(f"sys/class/{name}"):
            path = self._source.target(f"sys/class/{name}/{entry}")
            if isinstance(path, str):
                yield entry, path.removeprefix("sys/")

    def _block_devices(self) -> Iterator[BlockDevice]:
        for name, path in self._class("block"):
            number = self._text(f"sys/{path}/dev")
            if number is None:
                continue
            yield BlockDevice(
                name=name,
                number=number,
                paths=(path, *self._controllers(path)),
                holders=tuple(self._names(f"sys/{path}/holders")),
                title=self._text(f"sys/{path}/dm/name"),
            )

    def _controllers(self, path: str) -> Iterator[str]:
        """The controllers of a disk with several paths: it hangs on its subsystem, and they lead to it."""
        if "/nvme-subsystem/" not in path:
            return
        subsystem = path.split("/nvme-subsystem/")[1].split("/", maxsplit=1)[0]
        base = f"sys/class/nvme-subsystem/{subsystem}"
        for name in self._names(base):
            target = self._source.target(f"{base}/{name}")
            real = self._source.target(f"sys/class/nvme/{name}") if name.startswith("nvme") else target
            if isinstance(real, str) and name.removeprefix("nvme").isdecimal():
                yield real.removeprefix("sys/")

    def _btrfs_members(self) -> Iterator[str]:
        for entry in self._names("sys/fs/btrfs"):
            yield from self._names(f"sys/fs/btrfs/{entry}/devices")

    def _interfaces(self) -> Iterator[Interface]:
        for name, path in self._class("net"):
            flags = self._text(f"sys/{path}/flags")
            uppers = tuple(
                entry.removeprefix("upper_") for entry in self._names(f"sys/{path}") if entry.startswith("upper_")
            )
            up = None if flags is None else bool(within(int(flags, 16), _UP))
            yield Interface(name=name, path=path, up=up, uppers=uppers)

    def _routed(self) -> Iterator[str]:
        """The interfaces that have a default route: destination and mask zero."""
        for line in (self._text("proc/net/route") or "").splitlines()[1:]:
            fields = line.split()
            if len(fields) > 7 and fields[1] == fields[7] == "00000000":  # noqa: PLR2004 - Iface Destination … Mask
                yield fields[0]
        for line in (self._text("proc/net/ipv6_route") or "").splitlines():
            fields = line.split()
            if len(fields) > 9 and fields[1] == "00" and fields[9] != "lo":  # noqa: PLR2004 - prefix length, interface
                yield fields[9]

    def _fabrics(self) -> Iterator[PlatformDevice]:
        for name, path in self._class("infiniband"):
            for number in self._names(f"sys/{path}/ports"):
                state = self._text(f"sys/{path}/ports/{number}/state") or ""
                if "ACTIVE" in state:
                    yield PlatformDevice(f"{name} port {number}", path, state)

    def _displays(self) -> Iterator[Display]:
        for name, path in self._class("drm"):
            if self._text(f"sys/{path}/status") == "connected":
                yield Display(name=name, path=path, kind="screen")
        for name, path in self._class("graphics"):
            if name.startswith("fb") and name[2:].isdecimal():
                yield Display(name=name, path=path, kind="frame buffer")
        for name in (self._text("sys/class/tty/console/active") or "").split():
            target = self._source.target(f"sys/class/tty/{name}")
            if isinstance(target, str):
                yield Display(name=name, path=target.removeprefix("sys/"), kind="console")

    def _boot_displays(self) -> Iterator[str]:
        for address in self._names("sys/bus/pci/devices"):
            if self._text(f"sys/bus/pci/devices/{address}/boot_vga") == "1":
                yield address

    def _platform(self) -> Iterator[PlatformDevice]:
        for kind in ("watchdog", "tpm"):
            for name, path in self._class(kind):
                yield PlatformDevice(name, path, kind)

    def _lockdown(self) -> str | None:
        """The kernel lockdown in force, None where there is none (`[none] integrity confidentiality`)."""
        text = self._text("sys/kernel/security/lockdown") or ""
        word = text.partition("[")[2].partition("]")[0]
        return word if word not in {"", "none"} else None

    def _kernel_margining(self) -> Iterator[str]:
        """Functions that a driver of the kernel's own is margining (proposed, not in 7.3)."""
        base = "sys/kernel/debug/pci"
        for entry in self._names(base):
            prefix, _, address = entry.partition("pcie_lmr_")
            if not prefix and address and self._text(f"{base}/{entry}/enable") in {"1", "Y"}:
                yield address
