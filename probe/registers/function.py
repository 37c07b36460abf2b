"""Capabilities of a Function beside its link: power, identity, isolation, virtual functions.

Base Specification 6.x: 7.5.2, 7.8.3, 7.9.3, 7.7.11, 7.8.8, 9.3.3 (section numbers from memory).
"""

from probe.registers.model import HEX, HWINIT, RO, RW, RW1C, Field, Register, Structure, flag, names, reserved

POWER_CAPABILITIES = Register("Power Management Capabilities", 0x02, 2, "7.5.2.1", (
    Field("PME Support", 15, 11, RO, HEX),
    flag("D2 Support", 10, RO),
    flag("D1 Support", 9, RO),
    Field("Aux Current", 8, 6, RO),
    flag("Device Specific Initialization", 5, RO),
    flag("Immediate Readiness on Return to D0", 4, RO),
    flag("PME Clock", 3, RO),
    Field("Version", 2, 0, RO),
))  # fmt: skip
POWER_CONTROL = Register("Power Management Control/Status", 0x04, 4, "7.5.2.2", (
    Field("Data", 31, 24, RO, HEX),
    Field("Undefined", 23, 22, RO, HEX),
    reserved(21, 16),
    flag("PME Status", 15, RW1C),
    Field("Data Scale", 14, 13, RO),
    Field("Data Select", 12, 9, RW),
    flag("PME Enable", 8),
    reserved(7, 4),
    flag("No_Soft_Reset", 3, RO),
    reserved(2),
    Field("PowerState", 1, 0, RW, names({0: "D0", 1: "D1", 2: "D2", 3: "D3hot"})),
))  # fmt: skip
POWER_MANAGEMENT = Structure(
    "Power Management", 0x01, extended=False, registers=(POWER_CAPABILITIES, POWER_CONTROL)
)  # fmt: skip

SERIAL_LOW = Register("Serial Number, lower", 0x04, 4, "7.9.3.2", (Field("Serial Number, lower", 31, 0, RO, HEX),))
SERIAL_HIGH = Register("Serial Number, upper", 0x08, 4, "7.9.3.2", (Field("Serial Number, upper", 31, 0, RO, HEX),))
DEVICE_SERIAL_NUMBER = Structure("Device Serial Number", 0x0003, extended=True, registers=(SERIAL_LOW, SERIAL_HIGH))

_ACS = (
    "ACS Translated P2P", "ACS P2P Egress Control", "ACS Upstream Forwarding", "ACS P2P Completion Redirect",
    "ACS P2P Request Redirect", "ACS Translation Blocking", "ACS Source Validation",
)  # fmt: skip
_ACS_BITS = (6, 5, 4, 3, 2, 1, 0)
ACS_CAPABILITY = Register("ACS Capability", 0x04, 2, "7.7.11.2", (
    Field("Egress Control Vector Size", 15, 8, HWINIT),
    flag("ACS Enhanced Capability", 7, RO),
    *(flag(name, bit, RO) for name, bit in zip(_ACS, _ACS_BITS, strict=True)),
))  # fmt: skip
ACS_CONTROL = Register("ACS Control", 0x06, 2, "7.7.11.3", (
    reserved(15, 13),
    flag("ACS Unclaimed Request Redirect Control", 12),
    Field("ACS USP Memory Target Access Control", 11, 10, RW),
    Field("ACS DSP Memory Target Access Control", 9, 8, RW),
    flag("ACS I/O Request Blocking Enable", 7),
    *(flag(f"{name} Enable", bit) for name, bit in zip(_ACS, _ACS_BITS, strict=True)),
))  # fmt: skip
ACCESS_CONTROL_SERVICES = Structure(
    "Access Control Services", 0x000D, extended=True, registers=(ACS_CAPABILITY, ACS_CONTROL)
)

ARI_CAPABILITY = Register("ARI Capability", 0x04, 2, "7.8.8.2", (
    Field("Next Function Number", 15, 8, RO),
    reserved(7, 2),
    flag("ACS Functional Groups Capability", 1, RO),
    flag("MFVC Functional Groups Capability", 0, RO),
))  # fmt: skip
ARI_CONTROL = Register("ARI Control", 0x06, 2, "7.8.8.3", (
    reserved(15, 7),
    Field("Function Group", 6, 4, RW),
    reserved(3, 2),
    flag("ACS Functional Groups Enable", 1),
    flag("MFVC Functional Groups Enable", 0),
))  # fmt: skip
ALTERNATIVE_ROUTING_ID = Structure(
    "Alternative Routing-ID Interpretation", 0x000E, extended=True, registers=(ARI_CAPABILITY, ARI_CONTROL)
)


def _count(name: str, offset: int) -> Register:
    return Register(name, offset, 2, "9.3.3", (Field(name, 15, 0, RO),))


SINGLE_ROOT_IO_VIRTUALIZATION = Structure("Single Root I/O Virtualization", 0x0010, extended=True, registers=(
    Register("SR-IOV Capabilities", 0x04, 4, "9.3.3.2", (
        Field("VF Migration Interrupt Message Number", 31, 21, RO),
        reserved(20, 3),
        flag("VF 10-Bit Tag Requester Supported", 2, HWINIT),
        flag("ARI Capable Hierarchy Preserved", 1, RO),
        flag("VF Migration Capable", 0, RO),
    )),
    Register("SR-IOV Control", 0x08, 2, "9.3.3.3", (
        reserved(15, 6),
        flag("VF 10-Bit Tag Requester Enable", 5),
        flag("ARI Capable Hierarchy", 4),
        flag("VF MSE", 3),
        flag("VF Migration Interrupt Enable", 2),
        flag("VF Migration Enable", 1),
        flag("VF Enable", 0),
    )),
    Register("SR-IOV Status", 0x0A, 2, "9.3.3.4", (reserved(15, 1), flag("VF Migration Status", 0, RW1C))),
    _count("InitialVFs", 0x0C), _count("TotalVFs", 0x0E), _count("NumVFs", 0x10),
    Register("Function Dependency Link", 0x12, 1, "9.3.3.8", (Field("Function Dependency Link", 7, 0, RO),)),
    _count("First VF Offset", 0x14), _count("VF Stride", 0x16),
))  # fmt: skip

_SCALE = names({0: "x 2 us", 1: "x 10 us", 2: "x 100 us"})
L1_SUBSTATES = Structure("L1 PM Substates", 0x001E, extended=True, registers=(
    Register("L1 PM Substates Capabilities", 0x04, 4, "7.8.3.2", (
        reserved(31, 24),
        Field("Port T_POWER_ON Value", 23, 19, HWINIT),
        reserved(18),
        Field("Port T_POWER_ON Scale", 17, 16, HWINIT, _SCALE),
        Field("Port Common_Mode_Restore_Time", 15, 8, HWINIT),
        reserved(7, 6),
        flag("Link Activation Supported", 5, HWINIT),
        flag("L1 PM Substates Supported", 4, HWINIT),
        flag("ASPM L1.1 Supported", 3, HWINIT),
        flag("ASPM L1.2 Supported", 2, HWINIT),
        flag("PCI-PM L1.1 Supported", 1, HWINIT),
        flag("PCI-PM L1.2 Supported", 0, HWINIT),
    )),
    Register("L1 PM Substates Control 1", 0x08, 4, "7.8.3.3", (
        Field("LTR_L1.2_THRESHOLD_Scale", 31, 29, RW),
        reserved(28, 26),
        Field("LTR_L1.2_THRESHOLD_Value", 25, 16, RW),
        Field("Common_Mode_Restore_Time", 15, 8, RW),
        reserved(7, 6),
        flag("Link Activation Control", 5),
        flag("Link Activation Interrupt Enable", 4),
        flag("ASPM L1.1 Enable", 3),
        flag("ASPM L1.2 Enable", 2),
        flag("PCI-PM L1.1 Enable", 1),
        flag("PCI-PM L1.2 Enable", 0),
    )),
    Register("L1 PM Substates Control 2", 0x0C, 4, "7.8.3.4", (
        reserved(31, 8),
        Field("T_POWER_ON Value", 7, 3, RW),
        reserved(2),
        Field("T_POWER_ON Scale", 1, 0, RW, _SCALE),
    )),
))  # fmt: skip

VENDOR_SPECIFIC_HEADER = Register("Vendor-Specific Header", 0x04, 4, "7.9.5.2", (
    Field("VSEC Length", 31, 20, RO, HEX),
    Field("VSEC Rev", 19, 16, RO),
    Field("VSEC ID", 15, 0, RO, HEX),
))  # fmt: skip
VENDOR_SPECIFIC = Structure("Vendor-Specific Extended", 0x000B, extended=True, registers=(VENDOR_SPECIFIC_HEADER,))
