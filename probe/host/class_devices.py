"""Which PCI function a disk or a network interface sits behind, and which there are. Reads /sys/class."""

import os
from collections.abc import Iterator
from pathlib import Path

from probe.address import Address

SYS = Path("/sys")


def function_of(entry: Path, sys: Path = SYS) -> str | None:
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


def devices(kind: str, sys: Path = SYS) -> Iterator[tuple[str, str]]:
    """Whole devices of a class (`block`, `net`) that sit behind a PCI function: kernel name and function."""
    for entry in sorted((sys / "class" / kind).glob("*")):
        address = None if (entry / "partition").exists() else function_of(entry, sys)
        if address is not None:
            yield entry.name, address
