"""Which files evidence is made of. The reader and the script of `linkprobe capture-script` are both made from this.

May live here: names, in the order of reading. May not: reading. Never listed: `rom`, `vpd` and `resource*`, which reach
into the device itself.
"""

from probe import kernel_spellings as kernel

RUNTIME = (kernel.RUNTIME_STATUS, kernel.RUNTIME_CONTROL)
POWER = (kernel.POWER_STATE, kernel.D3COLD_ALLOWED)
"""These two first: whether the rest may be read without waking the device."""
QUIET = (
    *kernel.NUMBER_FILES, kernel.NUMA_NODE, kernel.LABEL, kernel.ACPI_INDEX, kernel.REMOVABLE,
    *kernel.COUNTER_FILES.values(), *kernel.ROOT_TOTAL_FILES.values(), *kernel.OTHER_FILES,
)  # fmt: skip
"""What the kernel answers from memory."""
LINK_FOLDER = "link"
ASPM = kernel.ASPM_FILES
"""In that folder."""
FROM_REGISTERS = (
    *kernel.LINK_FILES, kernel.SECONDARY_BUS_NUMBER, kernel.SUBORDINATE_BUS_NUMBER, kernel.SERIAL_NUMBER,
    kernel.CXL_LINK_CAPABILITIES, kernel.CXL_LINK_CONTROL, kernel.CXL_LINK_STATUS,
)  # fmt: skip
"""What the kernel answers from registers: it resumes every port above, and a device in the deepest sleep
(drivers/pci/pci.c, `pci_config_pm_runtime_get`; in these files since "PCI/sysfs: Ensure devices are powered for config
reads" of 2025; before, they read as if all bits were set)."""
FROM_DRIVER = (kernel.BUSY_PERCENT, kernel.LINK_LEVELS)
"""What a driver answers, who wakes its device first (drivers/gpu/drm/amd/pm/amdgpu_pm.c, `pm_runtime_get_sync`)."""
DRIVER = "driver"
POINTERS = (DRIVER, kernel.IOMMU_GROUP, kernel.PHYSICAL_FUNCTION)
"""Symbolic links, of which only the last name counts."""
EVERYTHING = frozenset((
    "power", *POWER, *QUIET, LINK_FOLDER, *FROM_REGISTERS, *FROM_DRIVER, *POINTERS, "hwmon", "leds", "config",
))  # fmt: skip
"""The names in a function's directory of which any is read."""
LEFT_ASLEEP = "left asleep"
"""What is said of a file that was not read for that."""

DEVICES = f"sys/{kernel.FUNCTION_LIST}"
SLOTS = "sys/bus/pci/slots"
SLOT = ("address", "max_bus_speed", "cur_bus_speed")
THERMAL = "sys/class/thermal"
COOLING = ("type", "cur_state", "max_state")
NODES = "sys/devices/system/node"
NODE = "cpulist"
PROCESSORS = "sys/devices/system/cpu"
PACKAGE = "topology/physical_package_id"
"""Which processors are near a memory node, and in which socket a processor is."""
MACHINE_ID = "etc/machine-id"
SMBIOS = "sys/firmware/dmi/tables/DMI"
KERNEL_LOG = "dev/kmsg"

FIRMWARE_PLACE = "sys/class/dmi/id"
FIRMWARE = (
    "sys_vendor", "product_name", "product_version", "product_serial", "board_vendor", "board_name", "board_version",
    "board_serial", "board_asset_tag", "chassis_vendor", "chassis_serial", "bios_vendor", "bios_version", "bios_date",
    "bios_release",
)  # fmt: skip
HOST = {
    "name": "proc/sys/kernel/hostname",
    "kernel": "proc/sys/kernel/osrelease",
    "command_line": "proc/cmdline",
    "boot_id": "proc/sys/kernel/random/boot_id",
    "uptime": "proc/uptime",
    "load": "proc/loadavg",
    "memory": "proc/meminfo",
    "processors": "sys/devices/system/cpu/online",
}
"""Who the host is and how it was when it was looked at."""
