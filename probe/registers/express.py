"""PCI Express Capability (id 10h), versions 1 and 2: which of its registers a function has.

Version 1 has nothing past its own end: what follows belongs to someone else. Which registers a function has depends on
its Device/Port Type, by the rules of the specification that the kernel keeps in `pcie_capability_reg_implemented`.
Base Specification 6.x, 7.5.3 (section numbers from memory).
"""

from functools import lru_cache

from probe.registers.device import (
    DOWNSTREAM_PORT,
    EVENT_COLLECTOR,
    FROM_PCI,
    INTEGRATED,
    ROOT_PORT,
    DeviceCapabilities,
    DeviceCapabilities2,
    DeviceControl,
    DeviceControl2,
    DeviceStatus,
    DeviceStatus2,
    ExpressCapabilities,
    RootCapabilities,
    RootControl,
    RootStatus,
)
from probe.registers.link import (
    LinkCapabilities,
    LinkCapabilities2,
    LinkControl,
    LinkControl2,
    LinkStatus,
    LinkStatus2,
)
from probe.registers.slot import (
    SlotCapabilities,
    SlotCapabilities2,
    SlotControl,
    SlotControl2,
    SlotStatus,
    SlotStatus2,
)
from probe.registers.table_language import Register, Structure

_DEVICE = (ExpressCapabilities, DeviceCapabilities, DeviceControl, DeviceStatus)
_LINK = (LinkCapabilities, LinkControl, LinkStatus)
_SLOT = (SlotCapabilities, SlotControl, SlotStatus)
_ROOT = (RootControl, RootCapabilities, RootStatus)
_DEVICE_2 = (DeviceCapabilities2, DeviceControl2, DeviceStatus2)
_LINK_2 = (LinkCapabilities2, LinkControl2, LinkStatus2)
_SLOT_2 = (SlotCapabilities2, SlotControl2, SlotStatus2)


def port_type(flags: int) -> str | None:
    """The Device/Port Type that a raw PCI Express Capabilities register states; None for a reserved encoding."""
    return ExpressCapabilities.device_port_type.decode(flags)


@lru_cache(maxsize=256)
def _present(flags: int) -> tuple[type[Register], ...]:
    version = ExpressCapabilities.capability_version.raw(flags)
    kind = port_type(flags)
    link = kind not in {INTEGRATED, EVENT_COLLECTOR}
    implemented = bool(ExpressCapabilities.slot_implemented.raw(flags))
    slot = kind in {ROOT_PORT, DOWNSTREAM_PORT, FROM_PCI} and implemented
    root = kind in {ROOT_PORT, EVENT_COLLECTOR}
    first = _DEVICE + _LINK * link + _SLOT * slot + _ROOT * root
    if version < 2:  # noqa: PLR2004 - version 1 ends where its own registers end
        return first
    return first + _DEVICE_2 + _LINK_2 * link + _SLOT_2 * slot


PCI_EXPRESS = Structure(
    "PCI Express", 0x10, extended=False,
    registers=_DEVICE + _LINK + _SLOT + _ROOT + _DEVICE_2 + _LINK_2 + _SLOT_2, present=_present,
)  # fmt: skip
