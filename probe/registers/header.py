"""The common configuration header, type 0 and type 1. Base Specification 6.x, 7.5.1 (section numbers from memory).

Registers of the header are a part of no structure: they stand at their offset in config space.
"""

from probe.registers.table_language import HWINIT, RO, RW, RW1C, Register, coded, flag, hexadecimal, names, number


class VendorId(Register, name="Vendor ID", offset=0x00, size=2, section="7.5.1.1.1"):
    vendor_id = hexadecimal("Vendor ID", 15, 0, HWINIT)


class DeviceId(Register, name="Device ID", offset=0x02, size=2, section="7.5.1.1.2"):
    device_id = hexadecimal("Device ID", 15, 0, HWINIT)


class Command(Register, name="Command", offset=0x04, size=2, section="7.5.1.1.3", reserved=((15, 11),)):
    interrupt_disable = flag("Interrupt Disable", 10)
    fast_back_to_back_transactions_enable = flag("Fast Back-to-Back Transactions Enable", 9)
    serr_enable = flag("SERR# Enable", 8)
    idsel_stepping = flag("IDSEL Stepping", 7)
    parity_error_response = flag("Parity Error Response", 6)
    vga_palette_snoop = flag("VGA Palette Snoop", 5)
    memory_write_and_invalidate = flag("Memory Write and Invalidate", 4)
    special_cycle_enable = flag("Special Cycle Enable", 3)
    bus_master_enable = flag("Bus Master Enable", 2)
    memory_space_enable = flag("Memory Space Enable", 1)
    io_space_enable = flag("I/O Space Enable", 0)


class Status(Register, name="Status", offset=0x06, size=2, section="7.5.1.1.4", reserved=((6, 6), (2, 1))):
    detected_parity_error = flag("Detected Parity Error", 15, RW1C)
    signaled_system_error = flag("Signaled System Error", 14, RW1C)
    received_master_abort = flag("Received Master Abort", 13, RW1C)
    received_target_abort = flag("Received Target Abort", 12, RW1C)
    signaled_target_abort = flag("Signaled Target Abort", 11, RW1C)
    devsel_timing = number("DEVSEL Timing", 10, 9, RO)
    master_data_parity_error = flag("Master Data Parity Error", 8, RW1C)
    fast_back_to_back_transactions_capable = flag("Fast Back-to-Back Transactions Capable", 7, RO)
    capable_of_66_mhz = flag("66 MHz Capable", 5, RO)
    capabilities_list = flag("Capabilities List", 4, RO)
    interrupt_status = flag("Interrupt Status", 3, RO)
    immediate_readiness = flag("Immediate Readiness", 0, RO)


class RevisionId(Register, name="Revision ID", offset=0x08, size=1, section="7.5.1.1.5"):
    revision_id = hexadecimal("Revision ID", 7, 0, HWINIT)


class ClassCode(Register, name="Class Code", offset=0x09, size=2, section="7.5.1.1.6"):
    sub_class_code = hexadecimal("Sub-Class Code", 15, 8, RO)
    programming_interface = hexadecimal("Programming Interface", 7, 0, RO)


class BaseClassCode(Register, name="Base Class Code", offset=0x0B, size=1, section="7.5.1.1.6"):
    base_class_code = hexadecimal("Base Class Code", 7, 0, RO)


class HeaderType(Register, name="Header Type", offset=0x0E, size=1, section="7.5.1.1.9"):
    multi_function_device = flag("Multi-Function Device", 7, RO)
    header_layout = coded("Header Layout", 6, 0, RO, names({0: "type 0", 1: "type 1", 2: "CardBus"}))


class SubsystemVendorId(Register, name="Subsystem Vendor ID", offset=0x2C, size=2, section="7.5.1.2.3"):
    subsystem_vendor_id = hexadecimal("Subsystem Vendor ID", 15, 0, HWINIT)


class SubsystemId(Register, name="Subsystem ID", offset=0x2E, size=2, section="7.5.1.2.3"):
    subsystem_id = hexadecimal("Subsystem ID", 15, 0, HWINIT)


class PrimaryBusNumber(Register, name="Primary Bus Number", offset=0x18, size=1, section="7.5.1.3.2"):
    primary_bus_number = hexadecimal("Primary Bus Number", 7, 0, RW)


class SecondaryBusNumber(Register, name="Secondary Bus Number", offset=0x19, size=1, section="7.5.1.3.3"):
    secondary_bus_number = hexadecimal("Secondary Bus Number", 7, 0, RW)


class SubordinateBusNumber(Register, name="Subordinate Bus Number", offset=0x1A, size=1, section="7.5.1.3.4"):
    subordinate_bus_number = hexadecimal("Subordinate Bus Number", 7, 0, RW)


class CapabilitiesPointer(Register, name="Capabilities Pointer", offset=0x34, size=1, section="7.5.1.1.11"):
    capabilities_pointer = hexadecimal("Capabilities Pointer", 7, 0, RO)


class BridgeControl(Register, name="Bridge Control", offset=0x3E, size=2, section="7.5.1.3.13", reserved=((15, 12),)):
    discard_timer_serr_enable = flag("Discard Timer SERR# Enable", 11)
    discard_timer_status = flag("Discard Timer Status", 10, RW1C)
    secondary_discard_timer = flag("Secondary Discard Timer", 9)
    primary_discard_timer = flag("Primary Discard Timer", 8)
    fast_back_to_back_transactions_enable = flag("Fast Back-to-Back Transactions Enable", 7)
    secondary_bus_reset = flag("Secondary Bus Reset", 6)
    master_abort_mode = flag("Master Abort Mode", 5)
    vga_16_bit_decode = flag("VGA 16-bit Decode", 4)
    vga_enable = flag("VGA Enable", 3)
    isa_enable = flag("ISA Enable", 2)
    serr_enable = flag("SERR# Enable", 1)
    parity_error_response_enable = flag("Parity Error Response Enable", 0)


_COMMON = (
    VendorId, DeviceId, Command, Status, RevisionId, ClassCode, BaseClassCode, HeaderType, CapabilitiesPointer,
)  # fmt: skip
LAYOUTS: dict[str | None, tuple[type[Register], ...]] = {
    "type 0": (*_COMMON, SubsystemVendorId, SubsystemId),
    "type 1": (*_COMMON, PrimaryBusNumber, SecondaryBusNumber, SubordinateBusNumber, BridgeControl),
}
"""The registers of a header by its Header Layout."""
