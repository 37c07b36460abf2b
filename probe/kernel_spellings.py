"""The kernel's spellings, where its files are read: speeds, widths, error names.

Sources: `drivers/pci/pci-sysfs.c`, `drivers/pci/probe.c` pci_speed_string, `drivers/pci/pcie/aer.c`,
`Documentation/ABI/testing/sysfs-bus-pci-devices-aer`.
"""

import re

from probe.registers.errors import CORRECTABLE_BITS, UNCORRECTABLE_BITS
from probe.registers.values import SPEED_GTS

NOT_A_WIDTH = frozenset({0, 63, 255})  # printed where the link has no width to give, or the register reads all ones
_SPEED = re.compile(r"(\d+(?:\.\d+)?)\s*GT/s")
_NONZERO = re.compile(r" 0*[1-9]")
_SPEEDS = frozenset(SPEED_GTS.values())

_SHORT_CORRECTABLE = ("RxErr", "BadTLP", "BadDLLP", "Rollover", "Timeout", "NonFatalErr", "CorrIntErr", "HeaderOF")
_SHORT_UNCORRECTABLE = (
    "Undefined", "DLP", "SDES", "TLP", "FCP", "CmpltTO", "CmpltAbrt", "UnxCmplt", "RxOF", "MalfTLP", "ECRC", "UnsupReq",
    "ACSViol", "UncorrIntErr", "BlockedTLP", "AtomicOpBlocked", "TLPBlockedErr", "PoisonTLPBlocked", "DMWrReqBlocked",
    "IDECheck", "MisIDETLP", "PCRC_CHECK", "TLPXlatBlocked",
)  # fmt: skip
_LONG_SPELLINGS = {
    "RELAY_NUM Rollover": "REPLAY_NUM Rollover",  # so in the ABI document
    "Advisory Non-Fatal": "Advisory Non-Fatal Error",
    "Data Link Protocol": "Data Link Protocol Error",
    "Poisoned TLP": "Poisoned TLP Received",
    "Flow Control Protocol": "Flow Control Protocol Error",
    "ECRC": "ECRC Error",
    "Unsupported Request": "Unsupported Request Error",
}
SHORT_NAMES: dict[str, str] = {
    **dict(zip(_SHORT_CORRECTABLE, CORRECTABLE_BITS.values(), strict=True)),
    **dict(zip(_SHORT_UNCORRECTABLE, UNCORRECTABLE_BITS.values(), strict=True)),
}
"""The kernel's short name of each error to the specification's."""


def speed_gts(text: str) -> float | None:
    """GT/s from `8 GT/s`, `8.0 GT/s PCIe` and the like; None for `Unknown` and anything that is no speed."""
    match = _SPEED.match(text)
    speed = float(match[1]) if match else None
    return speed if speed in _SPEEDS else None


def width_lanes(text: str) -> int | None:
    """Lanes from a width attribute; None for what the kernel prints where there is no width."""
    width = int(text) if text.isdecimal() else 0
    return None if width in NOT_A_WIDTH else width


def error_counts(text: str) -> dict[str, int]:
    """Counts by the specification's name of an `aer_dev_*` file, without its total; unknown names are carried."""
    found: dict[str, int] = {}
    for line in text.splitlines():
        name, _, count = line.strip().rpartition(" ")
        name = name.strip()
        if name and count.isdecimal() and not name.startswith("TOTAL_ERR_"):
            found[specification_name(name)] = int(count)
    return found


def nonzero_counts(text: str) -> dict[str, int]:
    """The counts of an `aer_dev_*` file that are not zero."""
    if _NONZERO.search(text) is None:
        return {}
    return {name: count for name, count in error_counts(text).items() if count}


def error_total(text: str) -> int | None:
    """The total line of an `aer_dev_*` file, or the sum of its rows where it has none; None for an empty file."""
    start = text.rfind("TOTAL_ERR_")
    words = text[start:].split() if start >= 0 else []
    if len(words) > 1 and words[1].isdecimal():
        return int(words[1])
    counts = error_counts(text)
    return sum(counts.values()) if counts else None


def specification_name(name: str) -> str:
    """The specification's name of an error, whichever way the kernel spells it."""
    return SHORT_NAMES.get(name) or _LONG_SPELLINGS.get(name, name)
