"""Bytes moved through each function, by the counters that exist: disks and network interfaces, mapped through sysfs."""

import os
from pathlib import Path

from probe.address import Address
from probe.observe.accelerator_counters import AcceleratorCounters, Rates

Moved = dict[str, tuple[int, int]]
"""By function: bytes to the host, bytes from the host, since boot."""


class Traffic:
    """Counters of a live host (psutil), and which function each belongs to."""

    def __init__(self, sys: Path = Path("/sys")) -> None:
        self._sys = sys
        self._disks = self._mapped("block", whole_only=True)
        self._networks = self._mapped("net", whole_only=False)
        self._accelerators = AcceleratorCounters()

    def _mapped(self, kind: str, *, whole_only: bool) -> dict[str, str]:
        found = {}
        for entry in sorted((self._sys / "class" / kind).glob("*")):
            if whole_only and (entry / "partition").exists():
                continue
            address = function_of(entry, self._sys)
            if address is not None:
                found[entry.name] = address
        return found

    def replays(self) -> dict[str, int]:
        """Replays that accelerators count themselves: a second witness beside the kernel's counters."""
        return self._accelerators.replays()

    def measured(self) -> Rates:
        """Rates that accelerators measure themselves, bytes a second to the host and from it."""
        return self._accelerators.rates()

    def read(self) -> Moved:
        """The counters now."""
        moved: Moved = {}
        if not self._disks and not self._networks:
            return moved
        import psutil  # noqa: PLC0415 - late

        for name, disk in (psutil.disk_io_counters(perdisk=True) or {}).items():
            _add(moved, self._disks.get(name), disk.read_bytes, disk.write_bytes)
        for name, interface in psutil.net_io_counters(pernic=True).items():
            _add(moved, self._networks.get(name), interface.bytes_recv, interface.bytes_sent)
        return moved


def _add(moved: Moved, address: str | None, to_host: int, from_host: int) -> None:
    if address is not None:
        before = moved.get(address, (0, 0))
        moved[address] = (before[0] + to_host, before[1] + from_host)


def function_of(entry: Path, sys: Path = Path("/sys")) -> str | None:
    """The PCI function behind a class device: the last address on its resolved path.

    A drive with several paths hangs on a subsystem; its controller's `address` then says where it is.
    """
    resolved = os.path.realpath(entry)
    found = [part for part in resolved.split("/") if Address.find(part)]
    if found:
        return found[-1]
    if "/nvme-subsystem/" in resolved:
        controller = entry.name.partition("n1")[0] if "n" in entry.name[4:] else entry.name
        text = sys / "class" / "nvme" / controller.rpartition("n")[0] / "address"
        for candidate in (sys / "class" / "nvme" / controller / "address", text):
            try:
                address = candidate.read_text().strip()
            except OSError:
                continue
            return address if Address.find(address) else None
    return None
