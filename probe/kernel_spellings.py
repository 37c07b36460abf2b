"""The kernel's spellings: the files of a function's directory, and the words that stand in them.

A spelling that is no plain English word stands in this file and nowhere else in `probe`, `errors/log_events.py` apart,
which holds the lines of the log (a test in `tests/laws` reads the sources for it).

Sources: `Documentation/ABI/testing/sysfs-bus-pci`, `Documentation/ABI/testing/sysfs-devices-power`,
`Documentation/ABI/testing/sysfs-bus-pci-devices-aer`, `drivers/pci/pci-sysfs.c`, `drivers/pci/probe.c`
pci_speed_string, `drivers/pci/pcie/aer.c`.
"""

import re
from collections.abc import Mapping
from functools import lru_cache

from probe.registers.errors import CORRECTABLE_NAMES, UNCORRECTABLE_NAMES, Severity
from probe.registers.values import SPEED_GTS, WIDTHS

CLASS, VENDOR, DEVICE = "class", "vendor", "device"
SUBSYSTEM_VENDOR, SUBSYSTEM_DEVICE = "subsystem_vendor", "subsystem_device"
NUMBER_FILES = (CLASS, VENDOR, DEVICE, SUBSYSTEM_VENDOR, SUBSYSTEM_DEVICE)  # each in hexadecimal
SMBIOS_TABLE = "firmware/dmi/tables/DMI"
FUNCTION_LIST = "bus/pci/devices"
SERIAL_NUMBER = "serial_number"
NUMA_NODE = "numa_node"
LABEL, ACPI_INDEX = "label", "acpi_index"
REMOVABLE = "removable"  # the file, and the word in it that says so
SECONDARY_BUS_NUMBER, SUBORDINATE_BUS_NUMBER = "secondary_bus_number", "subordinate_bus_number"
CURRENT_LINK_SPEED, CURRENT_LINK_WIDTH = "current_link_speed", "current_link_width"
MAX_LINK_SPEED, MAX_LINK_WIDTH = "max_link_speed", "max_link_width"
LINK_FILES = (CURRENT_LINK_SPEED, CURRENT_LINK_WIDTH, MAX_LINK_SPEED, MAX_LINK_WIDTH)
NO_SPEED = "Unknown"
NO_LINK_WIDTHS = frozenset({"0", "255"})
"""What a function prints whose kind has no link registers, and no other: drivers/pci/pci.c, pcie_get_width_cap."""
CXL_LINK_CAPABILITIES, CXL_LINK_CONTROL, CXL_LINK_STATUS = "rcd_link_cap", "rcd_link_ctrl", "rcd_link_status"

POWER_STATE, RUNTIME_STATUS, RUNTIME_CONTROL = "power_state", "power/runtime_status", "power/control"
D3COLD_ALLOWED = "d3cold_allowed"
ASLEEP = frozenset({"D1", "D2", "D3hot", "D3cold"})
DEEPEST_SLEEP = "D3cold"  # reading a register wakes a function in it; one in another is read as it is
POWER_STATES = frozenset({"D0", *ASLEEP})
SUSPENDED = "suspended"
BUSY_PERCENT, LINK_LEVELS, LEVEL_IN_USE = "gpu_busy_percent", "pp_dpm_pcie", "*"

COUNTER_FILES: dict[Severity, str] = {severity: f"aer_dev_{severity}" for severity in Severity}
ROOT_TOTAL_FILES: dict[Severity, str] = {
    Severity.CORRECTABLE: "aer_rootport_total_err_cor",
    Severity.NONFATAL: "aer_rootport_total_err_nonfatal",
    Severity.FATAL: "aer_rootport_total_err_fatal",
}
VIRTUAL_FUNCTIONS = "sriov_numvfs"
OTHER_FILES = ("revision", "index", "enable", "sriov_totalvfs", VIRTUAL_FUNCTIONS, "ari_enabled")
ASPM_SWITCHES = ("l1_1_aspm", "l1_2_aspm", "l1_1_pcipm", "l1_2_pcipm", "l1_aspm", "l0s_aspm")
"""Below link/, in the order to write 0: the kernel takes L1 substates away with L1 and does not bring them back."""
ASPM_FILES = ("l0s_aspm", "l1_aspm", "l1_1_aspm", "l1_2_aspm", "l1_1_pcipm", "l1_2_pcipm", "clkpm")
PHYSICAL_FUNCTION, IOMMU_GROUP = "physfn", "iommu_group"

COOLING_TYPE = "PCIe_Port_Link_Speed_"  # drivers/thermal/pcie_cooling.c, followed by the port's address
RETRAINED_SLOW = "retraining non-functional downstream link"  # drivers/pci/quirks.c, pcie_failed_link_retrain, 6.5 on
RESTRICTION_LIFTED = "removing 2.5GT/s downstream link speed restriction"  # as above

DEVICE_FIRMWARE = {
    "nvme": ("model", "firmware_rev"),  # drivers/nvme/host/sysfs.c
    "infiniband": ("board_id", "fw_ver", "hw_rev"),  # Documentation/ABI/stable/sysfs-class-infiniband
    "drm": ("device/vbios_version",),  # Documentation/gpu/amdgpu: vbios_version
    "accel": ("device/cpld_ver", "device/armcp_kernel_ver", "device/uboot_ver"),  # ABI/testing/sysfs-driver-habanalabs
}
"""What devices say of their firmware, by the class under /sys/class."""
_SPEED = re.compile(r"(\d+(?:\.\d+)?)\s*GT/s")
_HEXADECIMAL = re.compile(r"[0-9a-fA-F]+")
_NONZERO = re.compile(r" 0*[1-9]")
_LONGEST_WIDTH = 3
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
    **dict(zip(_SHORT_CORRECTABLE, CORRECTABLE_NAMES, strict=True)),
    **dict(zip(_SHORT_UNCORRECTABLE, UNCORRECTABLE_NAMES, strict=True)),
}
"""The kernel's short name of each error to the specification's."""


@lru_cache(maxsize=1024)
def number(text: str) -> int | None:
    """A number of a file in hexadecimal, with or without 0x; None for anything else."""
    digits = text.strip().removeprefix("0x")
    return int(digits, 16) if _HEXADECIMAL.fullmatch(digits) else None


def sleeps(attributes: Mapping[str, str]) -> bool:
    """Whether these files say that a function is in a state below D0, or suspended at run time."""
    return attributes.get(POWER_STATE) in ASLEEP or attributes.get(RUNTIME_STATUS) == SUSPENDED


def speed_gts(text: str) -> float | None:
    """GT/s from `8 GT/s`, `8.0 GT/s PCIe` and the like; None for `Unknown` and anything that is no speed."""
    match = _SPEED.match(text)
    speed = float(match[1]) if match else None
    return speed if speed in _SPEEDS else None


def width_lanes(text: str) -> int | None:
    """Lanes from a width attribute; None for what is no width: 0, 63 and 255 stand for none, or for all ones read."""
    width = int(text) if text.isdecimal() and len(text) <= _LONGEST_WIDTH else 0
    return width if width in WIDTHS else None


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
