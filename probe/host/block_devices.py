"""Block devices as the kernel shows them: what they sit behind, serial number, who holds them. /sys/class/block."""

import os
import stat
from pathlib import Path

from probe.exceptions import InputError
from probe.host.class_devices import SYS, devices, function_of

_BLOCK = SYS / "class" / "block"
_DEV = Path("/dev")


def device_path(text: str) -> Path:
    """The block device that a person named, as /dev/nvme0n1 or nvme0n1. Raises InputError."""
    path = Path(text if text.startswith("/") else f"/dev/{text}")
    try:
        is_block = stat.S_ISBLK(path.stat().st_mode)
    except OSError as error:
        raise InputError(f"cannot be used ({error.strerror})", where=str(path), remedy="name a block device") from error
    if not is_block:
        raise InputError("is no block device", where=str(path), remedy="name one, as /dev/nvme0n1")
    return path


def whole_devices() -> list[Path]:
    """Whole disks that sit behind a PCI function and have a size."""
    return [_DEV / name for name, _ in devices("block") if (_text(_BLOCK / name / "size") or "0") != "0"]


def behind(path: Path) -> str | None:
    """The PCI function that a block device sits behind."""
    return function_of(_BLOCK / path.resolve().name)


def behind_number(major: int, minor: int) -> str | None:
    """The PCI function of the block device with these numbers."""
    return function_of(SYS / "dev" / "block" / f"{major}:{minor}")


def serial_of(path: Path) -> str | None:
    """The serial number of a disk, from where drivers keep it."""
    entry = _BLOCK / path.resolve().name
    found = (_text(entry / name) for name in ("serial", "device/serial", "device/wwid", "wwid"))
    return next(filter(None, found), None)


def parts_of(path: Path) -> list[str]:
    """The names of a block device's partitions, and of the devices that it is a part of."""
    entry = _BLOCK / path.resolve().name
    partitions = sorted(found.parent.name for found in entry.glob(f"{entry.name}*/partition"))
    return [*partitions, *sorted(found.name for found in (entry / "holders").glob("*"))]


def size_of(path: Path) -> int:
    """Bytes of a block device. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.lseek(descriptor, 0, os.SEEK_END)
    finally:
        os.close(descriptor)


def is_among_devices(path: Path) -> bool:
    """Whether a path names a place in the kernel's directory of devices, where no file is kept."""
    directory = path.parent.resolve()
    return directory.is_relative_to(_DEV) and directory.stat().st_dev == _DEV.stat().st_dev


def _text(path: Path) -> str | None:
    try:
        return path.read_text().strip()
    except OSError:
        return None
