"""Which resets the kernel offers at a port and below it, and who watches its slot; looked at, not guessed."""

import msgspec

from probe.evidence import Unread
from probe.host.source import Source

_SYMBOLS = "proc/kallsyms"
# A kernel whose hot-plug driver ignores the Link Down of a reset that was asked for has both of these (Linux 7.3
# drivers/pci/pci.c and hotplug/pci_hotplug_core.c; neither is in 6.12, which removes the device in mid-reset).
_IGNORES_RESETS = frozenset({"pci_try_reset_bridge", "pci_hp_ignore_link_change"})
_HOT_PLUG_SERVICE = "pcie004"
_CHUNK_BYTES = 1 << 20
_LONGEST_LINE = 1024


class Resets(msgspec.Struct, frozen=True, kw_only=True):
    """The resets on offer for one link. `methods` are those in force, by function; one without any is not listed.

    `hot_plug_driver` is bound to the port's hot-plug service; `ignores_resets` says that this kernel's hot-plug driver
    lets a reset of its slot pass, None where that could not be found out.
    """

    subordinate: bool = False
    methods: dict[str, tuple[str, ...]] = {}
    hot_plug_driver: str | None = None
    ignores_resets: bool | None = None


def read_resets(source: Source, port: str, functions: tuple[str, ...]) -> Resets:
    """What is offered at this port, and at these functions of the component below it."""
    entries = source.names(f"sys/bus/pci/devices/{port}")
    driver = _hot_plug_driver(source, port)
    methods = {}
    for address in functions:
        text = source.text(f"sys/bus/pci/devices/{address}/reset_method")
        if isinstance(text, str) and text:
            methods[address] = tuple(text.split())
    return Resets(
        subordinate=not isinstance(entries, Unread) and "reset_subordinate" in entries,
        methods=methods,
        hot_plug_driver=driver,
        ignores_resets=_ignores_resets(source) if driver is not None else None,
    )


def _hot_plug_driver(source: Source, port: str) -> str | None:
    service = source.target(f"sys/bus/pci_express/devices/{port}:{_HOT_PLUG_SERVICE}")
    if isinstance(service, Unread):
        return None
    driver = source.target(f"{service}/driver")
    return None if isinstance(driver, Unread) else driver.rsplit("/", 1)[-1]


def _ignores_resets(source: Source) -> bool | None:
    """Whether the kernel has the functions that let a reset pass; their names are there without privilege."""
    opened = source.open(_SYMBOLS)
    if isinstance(opened, Unread):
        return None
    found: set[str] = set()
    offset, text = 0, b""
    try:
        while not isinstance(data := opened.read(offset, _CHUNK_BYTES), Unread) and data:
            offset += len(data)
            text = text[-_LONGEST_LINE:] + data
            found |= {name for name in _IGNORES_RESETS if f" {name}\n".encode() in text}
    finally:
        opened.close()
    return found == _IGNORES_RESETS if offset else None
