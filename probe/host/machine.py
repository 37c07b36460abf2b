"""Reading a whole machine into evidence: every function, the slots, what holds speeds down, and who the host is."""

import math
import os
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime

from probe.address import Address
from probe.evidence import CoolingDevice, Evidence, FunctionEvidence, Host, SlotDirectory, Unread, Why
from probe.exceptions import NothingToJudge
from probe.host.function import FunctionReader
from probe.host.kernel_log import read_kernel_log
from probe.host.listing import DEVICES, SLOTS, slot_names
from probe.host.machine_id import read_machine_id
from probe.host.names import named
from probe.host.source import Source, spelled
from probe.kernel_spellings import COOLING_TYPE, SMBIOS_TABLE
from probe.registers.smbios import raw_structures

_FIRMWARE = (
    "sys_vendor", "product_name", "product_version", "product_serial", "board_vendor", "board_name", "board_version",
    "board_serial", "board_asset_tag", "chassis_vendor", "chassis_serial", "bios_vendor", "bios_version", "bios_date",
    "bios_release",
)  # fmt: skip
_SYSTEM_SLOTS = 9


Reading = Callable[[Sequence[str]], Iterable[FunctionEvidence]]


def read_machine(source: Source, *, wake: bool = False, functions: Reading | None = None) -> Evidence:
    """Read every function of the source and what is known about their places.

    `wake` also reads functions that are asleep; `functions` reads those of given addresses in another way. Raises
    NothingToJudge where there is no PCI at all.
    """
    listed = source.names(DEVICES)
    if isinstance(listed, Unread):
        raise NothingToJudge(
            f"no PCI devices are listed ({listed.detail or listed.why})",
            where=f"/{DEVICES}" if source.live else source.label,
            remedy="check that this is the /sys of a machine with PCI",
        )
    addresses = sorted(filter(None, map(Address.find, listed)))
    if not addresses:
        raise NothingToJudge(
            "no PCI function is listed",
            where=f"{source.label}, /{DEVICES}",
            remedy="there is nothing to judge",
        )
    names = [str(address) for address in addresses]
    if functions is None:
        read = [FunctionReader(source, name, wake=wake).read() for name in names]
    else:
        read = list(functions(names))
    unread: list[Unread] = []
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
        base = f"{SLOTS}/{name}"
        address = _text(source, f"{base}/address")
        if address is not None:
            found.append(
                SlotDirectory(
                    name=spelled(name),
                    address=address,
                    max_bus_speed=_text(source, f"{base}/max_bus_speed"),
                    cur_bus_speed=_text(source, f"{base}/cur_bus_speed"),
                )
            )
    return tuple(found)


def _smbios(source: Source, unread: list[Unread]) -> tuple[str, ...]:
    opened = source.open(f"sys/{SMBIOS_TABLE}")
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
    base = "sys/class/thermal"
    names = source.names(base)
    if isinstance(names, Unread):
        return ()
    found = []
    for name in names:
        kind = _text(source, f"{base}/{name}/type") if name.startswith("cooling_device") else None
        if kind is not None and kind.startswith(COOLING_TYPE):
            state = _text(source, f"{base}/{name}/cur_state")
            limit = _text(source, f"{base}/{name}/max_state")
            if state is not None and limit is not None:
                found.append(CoolingDevice(type=kind, cur_state=state, max_state=limit, name=name))
    return tuple(found)


def read_host(source: Source) -> Host:
    """Who the machine is, from its own files; load, memory and processors from psutil on a live host."""
    firmware = {name: _text(source, f"sys/class/dmi/id/{name}") for name in _FIRMWARE}
    uptime = _text(source, "proc/uptime")
    load, memory, processors = _resources() if source.live else (None, None, None)
    return Host(
        taken_at=datetime.now(UTC).isoformat(timespec="seconds"),
        source=source.label,
        name=_text(source, "proc/sys/kernel/hostname"),
        kernel=_text(source, "proc/sys/kernel/osrelease"),
        command_line=_text(source, "proc/cmdline"),
        boot_id=_text(source, "proc/sys/kernel/random/boot_id"),
        uptime_s=_seconds(uptime),
        load_average=load,
        memory_bytes=memory,
        processors=processors,
        firmware={name: text for name, text in firmware.items() if text is not None},
        privileged=os.geteuid() == 0 if source.live else None,
        machine_id=read_machine_id(source),
    )


def _seconds(uptime: str | None) -> float | None:
    """Seconds since boot, the first number of proc/uptime; None for what is no time."""
    word = (uptime or "").partition(" ")[0]
    try:
        seconds = float(word)
    except ValueError:
        return None
    return seconds if math.isfinite(seconds) and seconds >= 0 else None


def _resources() -> tuple[tuple[float, ...], int, int | None]:
    import psutil  # noqa: PLC0415 - late: only a live host needs it

    return psutil.getloadavg(), psutil.virtual_memory().total, psutil.cpu_count()
