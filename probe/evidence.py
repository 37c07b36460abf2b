"""Evidence: raw bytes and strings exactly as read, with what could not be read and why.

A saved format only grows: a new field has a default, and no field ever changes its type.
"""

from collections.abc import Iterable
from enum import StrEnum
from struct import unpack_from

import msgspec

from probe import kernel_spellings as kernel
from probe.address import Address
from probe.registers.space import SPACE_END, ConfigSpace


class Why(StrEnum):
    """Why something could not be read."""

    ABSENT = "absent"
    DENIED = "permission denied"
    GONE = "device gone"
    SHORT = "short read"
    ASLEEP = "device asleep"
    ALL_ONES = "all ones"
    FAILED = "read failed"
    HUNG = "no answer"


class Unread(msgspec.Struct, frozen=True, tag="unread"):
    """Takes the place of what could not be read; `detail` holds the system's own words."""

    path: str
    why: Why
    detail: str = ""


def of_a_function(item: Unread) -> bool:
    """Whether it is a file of a PCI function, by the addresses that the kernel names its folder by."""
    return any(Address.find(part) is not None for part in item.path.split("/"))


def unlisted(unread: Iterable[Unread]) -> Unread | None:
    """Why the functions of a machine could not be listed; None where they were, be it none."""
    return next((item for item in unread if item.path.endswith(kernel.FUNCTION_LIST)), None)


class Names(msgspec.Struct, frozen=True, omit_defaults=True):
    """What the hardware database calls a function; None where it has no name."""

    vendor: str | None = None
    device: str | None = None
    kind: str | None = None


class FunctionEvidence(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """All that was read of one function. `path` is the resolved place below /sys.

    `config` holds runs of bytes: hexadecimal offset to hexadecimal bytes. `config_end` is where the kernel stopped
    giving bytes, when it stopped early.
    """

    address: str
    path: str
    attributes: dict[str, str] = {}
    config: dict[str, str] = {}
    config_end: int | None = None
    driver: str | None = None
    iommu_group: str | None = None
    physical_function: str | None = None
    place_names: dict[str, str] = {}
    names: Names = Names()
    unread: tuple[Unread, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be decoded. Raises ValueError, which names the function and the offset or file."""
        for address in (self.address, self.physical_function):
            if address is not None and Address.find(address) is None:
                raise ValueError(f"{self.address!r}: {address!r} is no device address")
        if not _plainly_runs(self.config):
            for start, text in self.config.items():
                _check_run(self.address, start, text)
        for name in kernel.NUMBER_FILES:
            content = self.attributes.get(name)
            if content is not None and kernel.number(content) is None:
                raise ValueError(f"{self.address}: {name} is no hexadecimal number ({content[:40]!r})")

    def space(self) -> ConfigSpace:
        """The configuration space as far as it was read."""
        words: dict[int, int] = {}
        for start, text in self.config.items():
            data = bytes.fromhex(text)
            base = int(start, 16)
            count = len(data) // 4
            words.update(zip(range(base, base + 4 * count, 4), unpack_from(f"<{count}I", data), strict=True))
        return ConfigSpace(words)

    def why_unread(self, name: str) -> Unread | None:
        """The failure that kept an attribute (or `config`) from being read, if one did."""
        return next((item for item in self.unread if item.path.rsplit("/", 1)[-1] == name), None)


def _plainly_runs(config: dict[str, str]) -> bool:
    """Whether all runs are well formed, told at once for the usual case of thousands of functions."""
    try:
        bytes.fromhex(" ".join(config.values()))
        ends = [int(start, 16) + len(text) // 2 for start, text in config.items()]
    except ValueError:
        return False
    return all(start.isalnum() and start[-1] in "048c" for start in config) and max(ends, default=0) <= SPACE_END


def _check_run(address: str, start: str, text: str) -> None:
    offset = kernel.number(start)
    if offset is None or offset % 4 or offset >= SPACE_END:
        raise ValueError(f"{address}: config has no offset {start[:40]!r}")
    try:
        data = bytes.fromhex(text)
    except ValueError:
        raise ValueError(f"{address}: config at offset {start}h is not hexadecimal") from None
    if offset + len(data) > SPACE_END:
        raise ValueError(f"{address}: config at offset {start}h goes on past its {SPACE_END} bytes")


class SlotDirectory(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One directory below /sys/bus/pci/slots."""

    name: str
    address: str
    max_bus_speed: str | None = None
    cur_bus_speed: str | None = None


class CoolingDevice(msgspec.Struct, frozen=True, kw_only=True):
    """A cooling device of the kernel that holds a port's speed down (6.13 and later)."""

    type: str
    cur_state: str
    max_state: str
    name: str = ""


class LogLine(msgspec.Struct, frozen=True):
    """One line of the kernel's log; `time_s` is seconds since boot, None where the line had no time."""

    text: str
    time_s: float | None = None


class Host(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Who the machine is and when it was looked at. `firmware` holds the strings of /sys/class/dmi/id.

    `sockets` has the physical package of each NUMA node that the kernel tells one of.
    `machine_id` is derived from /etc/machine-id for this program alone (see probe/host/machine_id.py). `redacted` says
    that names stand in the place of what identifies it.
    """

    taken_at: str
    source: str = "live"
    name: str | None = None
    kernel: str | None = None
    command_line: str | None = None
    boot_id: str | None = None
    uptime_s: float | None = None
    load_average: tuple[float, ...] | None = None
    memory_bytes: int | None = None
    processors: int | None = None
    firmware: dict[str, str] = {}
    privileged: bool | None = None
    machine_id: str | None = None
    redacted: bool = False
    sockets: dict[int, int] = {}


class Evidence(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Everything read of one machine. `smbios_slots` holds the type 9 structures as hexadecimal bytes."""

    host: Host
    functions: tuple[FunctionEvidence, ...] = ()
    slots: tuple[SlotDirectory, ...] = ()
    smbios_slots: tuple[str, ...] = ()
    cooling: tuple[CoolingDevice, ...] = ()
    kernel_log: tuple[LogLine, ...] = ()
    unread: tuple[Unread, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be decoded. Raises ValueError, which names the record."""
        for number, text in enumerate(self.smbios_slots, start=1):
            try:
                bytes.fromhex(text)
            except ValueError:
                raise ValueError(f"smbios_slots: record {number} is not hexadecimal") from None
