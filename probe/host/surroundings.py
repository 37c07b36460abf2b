"""What is read of a machine beside its functions, in parts: each can be read, and fail to be, without the others."""

from collections.abc import Callable, Iterable

import msgspec

from probe.evidence import CoolingDevice, Host, LogLine, SlotDirectory, Unread, Why
from probe.host.files import COOLING, KERNEL_LOG, SLOT, SLOTS, SMBIOS, THERMAL
from probe.host.kernel_log import read_kernel_log
from probe.host.listing import slot_names
from probe.host.owner import read_host
from probe.host.source import Source, spelled, stated
from probe.kernel_spellings import COOLING_TYPE
from probe.registers.smbios import raw_structures

_SYSTEM_SLOTS = 9
_TABLE_BYTES = 1 << 20
HOST_PART = "proc"


class Surroundings(msgspec.Struct, frozen=True, kw_only=True):
    """One part, or all of them put together. `host` is None where it is not of the part or was not read."""

    host: Host | None = None
    slots: tuple[SlotDirectory, ...] = ()
    smbios_slots: tuple[str, ...] = ()
    cooling: tuple[CoolingDevice, ...] = ()
    kernel_log: tuple[LogLine, ...] = ()
    unread: tuple[Unread, ...] = ()


def together(parts: Iterable[Surroundings]) -> Surroundings:
    """Parts as one."""
    found = Surroundings()
    for part in parts:
        found = Surroundings(
            host=found.host or part.host,
            slots=found.slots + part.slots,
            smbios_slots=found.smbios_slots + part.smbios_slots,
            cooling=found.cooling + part.cooling,
            kernel_log=found.kernel_log + part.kernel_log,
            unread=found.unread + part.unread,
        )
    return found


def _log(source: Source) -> Surroundings:
    log = read_kernel_log(source)
    return Surroundings(unread=(log,)) if isinstance(log, Unread) else Surroundings(kernel_log=log)


def _smbios(source: Source) -> Surroundings:
    opened = source.open(SMBIOS)
    if isinstance(opened, Unread):
        return Surroundings(unread=() if opened.why is Why.ABSENT else (opened,))
    try:
        data = opened.read(0, _TABLE_BYTES)
    finally:
        opened.close()
    if isinstance(data, Unread):
        return Surroundings(unread=(data,))
    return Surroundings(smbios_slots=tuple(raw.hex() for raw in raw_structures(data) if raw[0] == _SYSTEM_SLOTS))


def _host(source: Source) -> Surroundings:
    return Surroundings(host=read_host(source))


def _slots(source: Source) -> Surroundings:
    found = []
    for name in slot_names(source):
        address, most, now = (stated(source, f"{SLOTS}/{name}/{file}") for file in SLOT)
        if address is not None:
            slot = SlotDirectory(name=spelled(name), address=address, max_bus_speed=most, cur_bus_speed=now)
            found.append(slot)
    return Surroundings(slots=tuple(found))


def _cooling(source: Source) -> Surroundings:
    names = source.names(THERMAL)
    found = []
    for name in [] if isinstance(names, Unread) else names:
        kind = stated(source, f"{THERMAL}/{name}/{COOLING[0]}") if name.startswith("cooling_device") else None
        if kind is not None and kind.startswith(COOLING_TYPE):
            state, limit = (stated(source, f"{THERMAL}/{name}/{file}") for file in COOLING[1:])
            if state is not None and limit is not None:
                found.append(CoolingDevice(type=kind, cur_state=state, max_state=limit, name=name))
    return Surroundings(cooling=tuple(found))


PARTS: dict[str, Callable[[Source], Surroundings]] = {
    KERNEL_LOG: _log, SMBIOS: _smbios, HOST_PART: _host, SLOTS: _slots, THERMAL: _cooling,
}  # fmt: skip
"""The parts in the order of reading, each by where it is read."""
