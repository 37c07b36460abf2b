"""The common configuration header, type 0 and type 1. Base Specification 6.x, 7.5.1 (section numbers from memory)."""

from probe.registers.model import HEX, HWINIT, RO, RW, RW1C, Field, Register, Structure, flag, names, reserved

VENDOR = Register("Vendor ID", 0x00, 2, "7.5.1.1.1", (Field("Vendor ID", 15, 0, HWINIT, HEX),))
DEVICE = Register("Device ID", 0x02, 2, "7.5.1.1.2", (Field("Device ID", 15, 0, HWINIT, HEX),))
COMMAND = Register("Command", 0x04, 2, "7.5.1.1.3", (
    reserved(15, 11),
    flag("Interrupt Disable", 10),
    flag("Fast Back-to-Back Transactions Enable", 9),
    flag("SERR# Enable", 8),
    flag("IDSEL Stepping", 7),
    flag("Parity Error Response", 6),
    flag("VGA Palette Snoop", 5),
    flag("Memory Write and Invalidate", 4),
    flag("Special Cycle Enable", 3),
    flag("Bus Master Enable", 2),
    flag("Memory Space Enable", 1),
    flag("I/O Space Enable", 0),
))  # fmt: skip
STATUS = Register("Status", 0x06, 2, "7.5.1.1.4", (
    flag("Detected Parity Error", 15, RW1C),
    flag("Signaled System Error", 14, RW1C),
    flag("Received Master Abort", 13, RW1C),
    flag("Received Target Abort", 12, RW1C),
    flag("Signaled Target Abort", 11, RW1C),
    Field("DEVSEL Timing", 10, 9, RO),
    flag("Master Data Parity Error", 8, RW1C),
    flag("Fast Back-to-Back Transactions Capable", 7, RO),
    reserved(6),
    flag("66 MHz Capable", 5, RO),
    flag("Capabilities List", 4, RO),
    flag("Interrupt Status", 3, RO),
    reserved(2, 1),
    flag("Immediate Readiness", 0, RO),
))  # fmt: skip
REVISION = Register("Revision ID", 0x08, 1, "7.5.1.1.5", (Field("Revision ID", 7, 0, HWINIT, HEX),))
CLASS = Register("Class Code", 0x09, 2, "7.5.1.1.6", (
    Field("Sub-Class Code", 15, 8, RO, HEX),
    Field("Programming Interface", 7, 0, RO, HEX),
))  # fmt: skip
BASE_CLASS = Register("Base Class Code", 0x0B, 1, "7.5.1.1.6", (Field("Base Class Code", 7, 0, RO, HEX),))
HEADER_TYPE = Register("Header Type", 0x0E, 1, "7.5.1.1.9", (
    flag("Multi-Function Device", 7, RO),
    Field("Header Layout", 6, 0, RO, names({0: "type 0", 1: "type 1", 2: "CardBus"})),
))  # fmt: skip
SUBSYSTEM_VENDOR = Register(
    "Subsystem Vendor ID", 0x2C, 2, "7.5.1.2.3", (Field("Subsystem Vendor ID", 15, 0, HWINIT, HEX),)
)
SUBSYSTEM = Register("Subsystem ID", 0x2E, 2, "7.5.1.2.3", (Field("Subsystem ID", 15, 0, HWINIT, HEX),))
PRIMARY_BUS = Register("Primary Bus Number", 0x18, 1, "7.5.1.3.2", (Field("Primary Bus Number", 7, 0, RW, HEX),))
SECONDARY_BUS = Register("Secondary Bus Number", 0x19, 1, "7.5.1.3.3", (Field("Secondary Bus Number", 7, 0, RW, HEX),))
SUBORDINATE_BUS = Register("Subordinate Bus Number", 0x1A, 1, "7.5.1.3.4", (
    Field("Subordinate Bus Number", 7, 0, RW, HEX),
))  # fmt: skip
CAPABILITIES_POINTER = Register("Capabilities Pointer", 0x34, 1, "7.5.1.1.11", (
    Field("Capabilities Pointer", 7, 0, RO, HEX),
))  # fmt: skip
BRIDGE_CONTROL = Register("Bridge Control", 0x3E, 2, "7.5.1.3.13", (
    reserved(15, 12),
    flag("Discard Timer SERR# Enable", 11),
    flag("Discard Timer Status", 10, RW1C),
    flag("Secondary Discard Timer", 9),
    flag("Primary Discard Timer", 8),
    flag("Fast Back-to-Back Transactions Enable", 7),
    flag("Secondary Bus Reset", 6),
    flag("Master Abort Mode", 5),
    flag("VGA 16-bit Decode", 4),
    flag("VGA Enable", 3),
    flag("ISA Enable", 2),
    flag("SERR# Enable", 1),
    flag("Parity Error Response Enable", 0),
))  # fmt: skip

_COMMON = (VENDOR, DEVICE, COMMAND, STATUS, REVISION, CLASS, BASE_CLASS, HEADER_TYPE, CAPABILITIES_POINTER)
TYPE_0 = Structure("Configuration header, type 0", 0, extended=False, registers=(*_COMMON, SUBSYSTEM_VENDOR, SUBSYSTEM))
TYPE_1 = Structure(
    "Configuration header, type 1",
    1,
    extended=False,
    registers=(*_COMMON, PRIMARY_BUS, SECONDARY_BUS, SUBORDINATE_BUS, BRIDGE_CONTROL),
)
