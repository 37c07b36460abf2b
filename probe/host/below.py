"""The functions below a port as they are now: who drives them, and with whom they are passed through.

Nothing here reads configuration space: it is looked at again right before hardware is written to.
"""

import msgspec

from probe import kernel_spellings as kernel
from probe.evidence import Unread
from probe.host.files import DEVICES, DRIVER
from probe.host.source import Source


class FunctionNow(msgspec.Struct, frozen=True, kw_only=True):
    """A function: the driver bound to it, its IOMMU group, and how many virtual functions it has, as sysfs says it."""

    address: str
    driver: str | None = None
    iommu_group: str | None = None
    virtual_functions: str | None = None


def functions_below(source: Source, root: str) -> tuple[FunctionNow, ...] | Unread:
    """Every function whose real path below /sys lies below `root`; Unread where they cannot be listed."""
    names = source.names(DEVICES)
    if isinstance(names, Unread):
        return names
    found = []
    for address in names:
        path = source.target(f"{DEVICES}/{address}")
        if isinstance(path, str) and path.removeprefix("sys/").startswith(f"{root}/"):
            number = source.text(f"{path}/{kernel.VIRTUAL_FUNCTIONS}")
            found.append(
                FunctionNow(
                    address=address,
                    driver=_end(source, f"{path}/{DRIVER}"),
                    iommu_group=_end(source, f"{path}/{kernel.IOMMU_GROUP}"),
                    virtual_functions=number if isinstance(number, str) else None,
                )
            )
    return tuple(found)


def _end(source: Source, link: str) -> str | None:
    """The last part of where a link leads; None where there is no link."""
    target = source.target(link)
    return None if isinstance(target, Unread) or target == link else target.rsplit("/", 1)[-1]
