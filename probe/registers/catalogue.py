"""All the tables, found by capability id, and the names of the ids that have no table."""

from probe.registers import containment, errors, express, function, margining, physical
from probe.registers.table_language import Structure

STRUCTURES: tuple[Structure, ...] = (
    function.POWER_MANAGEMENT,
    express.PCI_EXPRESS,
    errors.ADVANCED_ERROR_REPORTING,
    function.DEVICE_SERIAL_NUMBER,
    function.VENDOR_SPECIFIC,
    function.ACCESS_CONTROL_SERVICES,
    function.ALTERNATIVE_ROUTING_ID,
    function.SINGLE_ROOT_IO_VIRTUALIZATION,
    physical.SECONDARY_PCI_EXPRESS,
    containment.DOWNSTREAM_PORT_CONTAINMENT,
    function.L1_SUBSTATES,
    function.DEVICE_3,
    physical.DATA_LINK_FEATURE,
    physical.PHYSICAL_LAYER_16,
    margining.LANE_MARGINING,
    physical.PHYSICAL_LAYER_32,
    physical.PHYSICAL_LAYER_64,
)

_BY_ID = {(structure.extended, structure.id): structure for structure in STRUCTURES}

_OTHER_NAMES: dict[tuple[bool, int], str] = {
    (False, 0x03): "Vital Product Data",
    (False, 0x04): "Slot Identification",
    (False, 0x05): "Message Signaled Interrupts",
    (False, 0x07): "PCI-X",
    (False, 0x09): "Vendor-Specific",
    (False, 0x0A): "Debug Port",
    (False, 0x0C): "Standard Hot-Plug Controller",
    (False, 0x0D): "Bridge Subsystem Vendor ID",
    (False, 0x11): "MSI-X",
    (False, 0x12): "Serial ATA Data/Index",
    (False, 0x13): "Advanced Features",
    (False, 0x14): "Enhanced Allocation",
    (True, 0x0000): "hidden by the platform",
    (True, 0x0002): "Virtual Channel",
    (True, 0x0004): "Power Budgeting",
    (True, 0x0005): "Root Complex Link Declaration",
    (True, 0x0007): "Root Complex Event Collector Association",
    (True, 0x000F): "Address Translation Services",
    (True, 0x0012): "Multicast",
    (True, 0x0013): "Page Request Interface",
    (True, 0x0015): "Resizable BAR",
    (True, 0x0016): "Dynamic Power Allocation",
    (True, 0x0017): "TPH Requester",
    (True, 0x0018): "Latency Tolerance Reporting",
    (True, 0x001B): "Process Address Space ID",
    (True, 0x001F): "Precision Time Measurement",
    (True, 0x0023): "Designated Vendor-Specific",
    (True, 0x0024): "VF Resizable BAR",
    (True, 0x002E): "Data Object Exchange",
    (True, 0x0030): "Integrity and Data Encryption",
    (True, 0x0032): "Flit Logging",
    (True, 0x0039): "Physical Layer 128.0 GT/s",
}
"""Ids named by the kernel header of 6.18, and past it by EDK II `PciExpress70.h`."""


def structure_of(capability_id: int, *, extended: bool) -> Structure | None:
    """The table of a capability, if there is one."""
    return _BY_ID.get((extended, capability_id))


def name_of(capability_id: int, *, extended: bool) -> str:
    """What a capability is called, by its table or by the list of other names."""
    structure = structure_of(capability_id, extended=extended)
    if structure is not None:
        return structure.name
    fallback = f"{'extended ' if extended else ''}capability {capability_id:#04x}"
    return _OTHER_NAMES.get((extended, capability_id), fallback)
