"""What running processes hold: device files, logins from elsewhere, tests of our own. Of a live host only.

Other users' processes show their open files to root alone.
"""

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import msgspec

from probe.evidence import Unread, Why
from probe.host.source import Source

_PROC = Path("/proc")
_NEVER_OF_A_LINK = ("/dev/null", "/dev/zero", "/dev/full", "/dev/pts/", "/dev/ptmx", "/dev/random", "/dev/urandom")
_VFIO_GROUPS = "/dev/vfio/"


class OpenDevice(msgspec.Struct, frozen=True, kw_only=True):
    """A device file that a process holds open. `path` is the real path of the device below /sys, where it has one.

    `group` is the IOMMU group that is passed through by way of the file.
    """

    process: int
    command: str
    file: str
    path: str | None = None
    group: str | None = None


class Login(msgspec.Struct, frozen=True):
    """A login from elsewhere: the address it comes from, and ours that it came to, where that is known."""

    peer: str
    local: str | None = None


def open_devices(source: Source) -> tuple[OpenDevice, ...] | Unread:
    """The device files that processes other than this one hold open; Unread where not all processes may be asked."""
    if os.geteuid() != 0:
        return Unread("/proc/*/fd", Why.DENIED, "only root sees what other users' processes hold open")
    accelerators = _accelerators(source)
    found = (
        _device(process, descriptor, file, source, accelerators)
        for process in _processes()
        if process != os.getpid()
        for descriptor, file in _files(process)
    )
    return tuple(device for device in found if device is not None)


def _processes() -> list[int]:
    return sorted(int(entry.name) for entry in _PROC.iterdir() if entry.name.isdecimal())


def _files(process: int) -> Iterator[tuple[Path, str]]:
    """The open files of a process that are device files by their name; a process may end while it is asked."""
    try:
        descriptors = list((_PROC / str(process) / "fd").iterdir())
    except OSError:
        return
    for descriptor in descriptors:
        try:
            file = str(descriptor.readlink())
        except OSError:
            continue
        if file.startswith("/dev/") and not file.startswith(_NEVER_OF_A_LINK):
            yield descriptor, file


def _device(
    process: int, descriptor: Path, file: str, source: Source, accelerators: dict[str, str]
) -> OpenDevice | None:
    command = _line(process, "comm") or "?"
    group = file.removeprefix(_VFIO_GROUPS) if file.startswith(_VFIO_GROUPS) else ""
    if group.isdecimal():
        return OpenDevice(process=process, command=command, file=file, group=group)
    try:
        status = descriptor.stat()
    except OSError:
        return None
    kind = "block" if stat.S_ISBLK(status.st_mode) else "char"
    path = source.target(f"sys/dev/{kind}/{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}")
    real = path.removeprefix("sys/") if isinstance(path, str) else accelerators.get(file)
    return None if real is None else OpenDevice(process=process, command=command, file=file, path=real)


def _accelerators(source: Source) -> dict[str, str]:
    """Device files of NVIDIA's driver, which have no place below /sys: its own list says which function each is."""
    found = {}
    base = "proc/driver/nvidia/gpus"
    names = source.names(base)
    for address in [] if isinstance(names, Unread) else names:
        text = source.text(f"{base}/{address}/information")
        path = source.target(f"sys/bus/pci/devices/{address}")
        for line in text.splitlines() if isinstance(text, str) else ():
            name, _, value = line.partition(":")
            if name.strip() == "Device Minor" and isinstance(path, str):
                found[f"/dev/nvidia{value.strip()}"] = path.removeprefix("sys/")
    return found


def _line(process: int, name: str) -> str | None:
    try:
        return (_PROC / str(process) / name).read_bytes().decode("utf-8", "replace").strip("\0\n ")
    except OSError:
        return None


def remote_logins() -> tuple[Login, ...]:
    """Logins from elsewhere: by the environment of this process and those above it, and by the list of users."""
    import psutil  # noqa: PLC0415 - late

    found = [Login(user.host) for user in psutil.users() if user.host]
    for process in _ancestors():
        for entry in (_line(process, "environ") or "").split("\0"):
            name, _, value = entry.partition("=")
            words = value.split()
            if name == "SSH_CONNECTION" and len(words) == 4:  # noqa: PLR2004 - peer, its port, ours, its port
                found.append(Login(words[0], words[2]))
    return tuple(dict.fromkeys(found))


def _ancestors() -> Iterator[int]:
    process = os.getpid()
    while process > 0:
        yield process
        after_name = (_line(process, "stat") or "").rpartition(")")[2].split()
        process = int(after_name[1]) if len(after_name) > 1 else 0


def running_tests() -> tuple[str, ...]:
    """Other processes that run a soak of ours, as they were called."""
    found = []
    for process in _processes():
        words = (_line(process, "cmdline") or "").split("\0")
        called = any(word.rsplit("/", 1)[-1] in {"linkprobe", "probe"} for word in words[:4])
        if process != os.getpid() and called and "soak" in words[1:5] and "close" not in words:
            found.append(f"process {process}: {' '.join(words)}")
    return tuple(found)


def waits_in_the_kernel(process: int) -> bool:
    """Whether a thread of a process sleeps where no signal wakes it: state D of proc_pid_stat(5)."""
    for path in (_PROC / str(process) / "task").glob("*/stat"):
        with contextlib.suppress(OSError):
            if path.read_bytes().rpartition(b") ")[2][:1] == b"D":
                return True
    return False
