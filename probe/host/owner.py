"""Who a machine is and how it was when it was looked at, from its own files."""

import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime

from probe.evidence import Host, Unread
from probe.host.files import FIRMWARE, FIRMWARE_PLACE, HOST, NODE, NODES, PACKAGE, PROCESSORS
from probe.host.machine_id import read_machine_id
from probe.host.source import Source, stated

_LOAD = re.compile(r"(\d+\.\d+) (\d+\.\d+) (\d+\.\d+) ")
_LIST = re.compile(r"\d+(?:-\d+)?(?:,\d+(?:-\d+)?)*")
_MEMORY = re.compile(r"^MemTotal: +(\d+) kB", re.MULTILINE)


def unknown_host(source: Source) -> Host:
    """One of which nothing was read."""
    return Host(taken_at=_taken_at(source), source=source.label, privileged=source.origin.privileged)


def _taken_at(source: Source) -> str:
    return source.origin.taken_at or datetime.now(UTC).isoformat(timespec="seconds")


def read_host(source: Source) -> Host:
    """Who the machine is and how it was when it was looked at, from its own files."""
    firmware = {name: stated(source, f"{FIRMWARE_PLACE}/{name}") for name in FIRMWARE}
    said = {name: stated(source, path) for name, path in HOST.items()}
    return Host(
        taken_at=_taken_at(source),
        source=source.label,
        name=said["name"],
        kernel=said["kernel"],
        command_line=said["command_line"],
        boot_id=said["boot_id"],
        uptime_s=_seconds(said["uptime"]),
        load_average=_load(said["load"] or ""),
        memory_bytes=_memory(said["memory"] or ""),
        processors=_processors(said["processors"] or ""),
        firmware={name: text for name, text in firmware.items() if text is not None},
        privileged=source.origin.privileged,
        machine_id=read_machine_id(source),
        sockets=dict(_sockets(source)),
    )


def _sockets(source: Source) -> Iterator[tuple[int, int]]:
    """The physical package of each NUMA node, by the first of its processors.

    Kernel: `Documentation/ABI/stable/sysfs-devices-node` and `sysfs-devices-system-cpu`. A node without processors, or
    of an unknown package (-1), has none.
    """
    names = source.names(NODES)
    for name in [] if isinstance(names, Unread) else sorted(names):
        number = name.removeprefix("node")
        first = re.match(r"\d+", stated(source, f"{NODES}/{name}/{NODE}") or "")
        if name == number or not number.isdecimal() or first is None:
            continue
        package = stated(source, f"{PROCESSORS}/cpu{first[0]}/{PACKAGE}") or ""
        if package.isdecimal():
            yield int(number), int(package)


def _seconds(uptime: str | None) -> float | None:
    """Seconds since boot, the first number of proc/uptime; None for what is no time."""
    word = (uptime or "").partition(" ")[0]
    try:
        seconds = float(word)
    except ValueError:
        return None
    return seconds if math.isfinite(seconds) and seconds >= 0 else None


def _load(text: str) -> tuple[float, ...] | None:
    """The three averages of proc/loadavg; None for anything else."""
    match = _LOAD.match(text)
    return tuple(map(float, match.groups())) if match else None


def _memory(text: str) -> int | None:
    """MemTotal of proc/meminfo in bytes. The file says kB and means 1024 (kernel, Documentation/filesystems/proc)."""
    match = _MEMORY.search(text)
    return int(match[1]) * 1024 if match else None


def _processors(online: str) -> int | None:
    """How many processors a list as `0-3,8` names; None for what is no such list."""
    if _LIST.fullmatch(online) is None:
        return None
    ends = [part.split("-") for part in online.split(",")]
    return sum(int(end[-1]) - int(end[0]) + 1 for end in ends)
