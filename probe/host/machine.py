"""Reading a whole machine into evidence: every function, the slots, what holds speeds down, and who the host is."""

import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime

from probe.address import Address
from probe.evidence import CoolingDevice, Evidence, FunctionEvidence, Host, SlotDirectory, Unread, Why
from probe.host.files import (
    COOLING,
    DEVICES,
    FIRMWARE,
    FIRMWARE_PLACE,
    HOST,
    NODE,
    NODES,
    PACKAGE,
    PROCESSORS,
    SLOT,
    SLOTS,
    SMBIOS,
    THERMAL,
)
from probe.host.function import FunctionReader
from probe.host.kernel_log import read_kernel_log
from probe.host.listing import slot_names
from probe.host.machine_id import read_machine_id
from probe.host.names import named
from probe.host.sleep import Sleep
from probe.host.source import Source, spelled
from probe.kernel_spellings import COOLING_TYPE
from probe.registers.smbios import raw_structures

_SYSTEM_SLOTS = 9
_LOAD = re.compile(r"(\d+\.\d+) (\d+\.\d+) (\d+\.\d+) ")
_LIST = re.compile(r"\d+(?:-\d+)?(?:,\d+(?:-\d+)?)*")
_MEMORY = re.compile(r"^MemTotal: +(\d+) kB", re.MULTILINE)

Reading = Callable[[Sequence[str]], Iterable[FunctionEvidence]]


def read_machine(source: Source, *, wake: bool = False, functions: Reading | None = None) -> Evidence:
    """Read every function of the source and what is known about their places.

    `wake` also reads functions that are asleep; `functions` reads those of given addresses in another way. A machine
    without PCI is evidence too: of no function, or of a list that could not be read.
    """
    unread: list[Unread] = []
    listed = source.names(DEVICES)
    if isinstance(listed, Unread):
        unread.append(listed)
        listed = []
    names = [str(address) for address in sorted(filter(None, map(Address.find, listed)))]
    if functions is None:
        sleep = Sleep(source)
        read = [FunctionReader(source, name, sleep, wake=wake).read() for name in names]
    else:
        read = list(functions(names))
    log = read_kernel_log(source)
    if isinstance(log, Unread):
        unread.append(log)
        log = ()
    tables = _smbios(source, unread)
    return Evidence(
        host=read_host(source),
        functions=named(read, source),
        slots=_slots(source),
        smbios_slots=tables,
        cooling=_cooling(source),
        kernel_log=log,
        unread=tuple(unread),
    )


def _text(source: Source, path: str) -> str | None:
    content = source.text(path)
    return content if isinstance(content, str) and content else None


def _slots(source: Source) -> tuple[SlotDirectory, ...]:
    found = []
    for name in slot_names(source):
        address, most, now = (_text(source, f"{SLOTS}/{name}/{file}") for file in SLOT)
        if address is not None:
            slot = SlotDirectory(name=spelled(name), address=address, max_bus_speed=most, cur_bus_speed=now)
            found.append(slot)
    return tuple(found)


def _smbios(source: Source, unread: list[Unread]) -> tuple[str, ...]:
    opened = source.open(SMBIOS)
    if isinstance(opened, Unread):
        if opened.why is not Why.ABSENT:
            unread.append(opened)
        return ()
    try:
        data = opened.read(0, 1 << 20)
    finally:
        opened.close()
    if isinstance(data, Unread):
        unread.append(data)
        return ()
    return tuple(raw.hex() for raw in raw_structures(data) if raw[0] == _SYSTEM_SLOTS)


def _cooling(source: Source) -> tuple[CoolingDevice, ...]:
    names = source.names(THERMAL)
    if isinstance(names, Unread):
        return ()
    found = []
    for name in names:
        kind = _text(source, f"{THERMAL}/{name}/{COOLING[0]}") if name.startswith("cooling_device") else None
        if kind is not None and kind.startswith(COOLING_TYPE):
            state, limit = (_text(source, f"{THERMAL}/{name}/{file}") for file in COOLING[1:])
            if state is not None and limit is not None:
                found.append(CoolingDevice(type=kind, cur_state=state, max_state=limit, name=name))
    return tuple(found)


def read_host(source: Source) -> Host:
    """Who the machine is and how it was when it was looked at, from its own files."""
    firmware = {name: _text(source, f"{FIRMWARE_PLACE}/{name}") for name in FIRMWARE}
    said = {name: _text(source, path) for name, path in HOST.items()}
    return Host(
        taken_at=source.origin.taken_at or datetime.now(UTC).isoformat(timespec="seconds"),
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
        first = re.match(r"\d+", _text(source, f"{NODES}/{name}/{NODE}") or "")
        if name == number or not number.isdecimal() or first is None:
            continue
        package = _text(source, f"{PROCESSORS}/cpu{first[0]}/{PACKAGE}") or ""
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
