"""From a disk below a link up to those who use it: partitions, what is built on them, mounts, swap.

May live here: the walk through block devices, pure. May not: what a use means for a test; that is the guard's.
"""

from collections.abc import Iterator

from probe.host.mounts import Mount
from probe.host.uses import BlockDevice, Uses


def is_below(path: str, root: str) -> bool:
    """A device at `path` hangs below the one at `root`, or is it."""
    return path == root or path.startswith(f"{root}/")


def disks_below(uses: Uses, root: str) -> tuple[BlockDevice, ...]:
    """The disks and partitions that any way leads to through `root`."""
    return tuple(disk for disk in uses.block_devices if any(is_below(path, root) for path in disk.paths))


def users_of_file(path: str, uses: Uses) -> tuple[str, ...]:
    """Each use of the disk or partition that a device file names, or of anything on it."""
    named = (disk for disk in uses.block_devices if _is_named(path, disk))
    return tuple(user for disk in named for user in users_of_disk(disk, uses))


def users_of_disk(disk: BlockDevice, uses: Uses) -> Iterator[str]:
    """Each use of a disk or partition, of its partitions, and of everything built on it, as a phrase."""
    for device, way in _built_on(disk, uses):
        through = f", through {_chain(way)}" if way else ""
        if way and not _is_partition_of(device, disk):
            yield f"a part of {_called(device)}{f', through {_chain(way[1:])}' if way[1:] else ''}"
        for mount in uses.mounts:
            if _is_on(mount, device):
                whose = "the system's root" if mount.point == "/" else f"mounted on {mount.point}"
                yield f"{whose}{through}"
        if any(_is_named(name, device) for name in uses.swaps):
            yield f"swap{through}"
        if device.name in uses.crash_dump.devices:
            yield f"the machine's crashes are written to it{through}"
        if device.name in uses.btrfs_members:
            yield f"a member of a btrfs file system in use{through}"


def root_disks(uses: Uses) -> tuple[BlockDevice, ...]:
    """The disks and partitions that hold the system's root; none where it is on no disk that is seen."""
    roots = [mount for mount in uses.mounts if mount.point == "/"]
    return tuple(
        disk
        for disk in uses.block_devices
        if any(_is_on(mount, device) for device, _ in _built_on(disk, uses) for mount in roots)
    )


def _chain(way: tuple[str, ...]) -> str:
    return " on ".join(way)


def _built_on(disk: BlockDevice, uses: Uses) -> Iterator[tuple[BlockDevice, tuple[str, ...]]]:
    """The device itself, its partitions, and all that is built on them, each with the way up to it."""
    by_name = {item.name: item for item in uses.block_devices}
    waiting: list[tuple[BlockDevice, tuple[str, ...]]] = [(disk, ())]
    seen: set[str] = set()
    while waiting:
        device, way = waiting.pop(0)
        if device.name in seen:
            continue
        seen.add(device.name)
        yield device, way
        above = [by_name[name] for name in device.holders if name in by_name]
        above += [item for item in uses.block_devices if _is_partition_of(item, device)]
        waiting += [(item, (_called(item), *way)) for item in above]


def _is_partition_of(part: BlockDevice, whole: BlockDevice) -> bool:
    return part.paths[0].startswith(f"{whole.paths[0]}/")


def _is_on(mount: Mount, device: BlockDevice) -> bool:
    return mount.device == device.number or _is_named(mount.source, device)


def _is_named(file: str, device: BlockDevice) -> bool:
    """A device file by its kernel name or by the name that its maker gave it."""
    name = file.rsplit("/", 1)[-1]
    return file.startswith("/dev/") and name in {device.name, device.title}


def _called(device: BlockDevice) -> str:
    return device.name if device.title is None else f"{device.name} ({device.title})"
