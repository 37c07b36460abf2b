"""Advanced Error Reporting (0001h) and Downstream Port Containment (001Dh). Base Specification 6.x, 7.8.4 and 7.9.14.

The error bits are written once and make the status, mask and severity registers alike.
"""

from functools import lru_cache

from probe.registers.express import EVENT_COLLECTOR, ROOT_PORT, port_type
from probe.registers.model import HEX, HWINIT, RO, RW, RW1C, Access, Field, Register, Structure, flag, names, reserved

CORRECTABLE_BITS: dict[int, str] = {
    0: "Receiver Error",
    6: "Bad TLP",
    7: "Bad DLLP",
    8: "REPLAY_NUM Rollover",
    12: "Replay Timer Timeout",
    13: "Advisory Non-Fatal Error",
    14: "Corrected Internal Error",
    15: "Header Log Overflow",
}
"""Correctable errors by bit. Kernel `pci_regs.h`, PCI_ERR_COR_*."""

LINK_ERROR_BITS = 1 << 0 | 1 << 6 | 1 << 7 | 1 << 8 | 1 << 12
"""The correctable errors that speak of the lanes."""

UNCORRECTABLE_BITS: dict[int, str] = {
    0: "Undefined",
    4: "Data Link Protocol Error",
    5: "Surprise Down Error",
    12: "Poisoned TLP Received",
    13: "Flow Control Protocol Error",
    14: "Completion Timeout",
    15: "Completer Abort",
    16: "Unexpected Completion",
    17: "Receiver Overflow",
    18: "Malformed TLP",
    19: "ECRC Error",
    20: "Unsupported Request Error",
    21: "ACS Violation",
    22: "Uncorrectable Internal Error",
    23: "MC Blocked TLP",
    24: "AtomicOp Egress Blocked",
    25: "TLP Prefix Blocked Error",
    26: "Poisoned TLP Egress Blocked",
    27: "DMWr Request Egress Blocked",
    28: "IDE Check Failed",
    29: "Misrouted IDE TLP",
    30: "PCRC Check Failed",
    31: "TLP Translation Egress Blocked",
}
"""Uncorrectable errors by bit. Kernel `pci_regs.h`, PCI_ERR_UNC_*, to bit 25; `pcie/aer.c` names the others."""

SEVERITY_DEFAULT = 0x00462030
"""Uncorrectable Error Severity out of reset: set is fatal. TI SLLSE76Q; QEMU `pcie_regs.h`."""


def _bits(name: str, offset: int, section: str, table: dict[int, str], access: Access) -> Register:
    fields = tuple(flag(table[bit], bit, access) if bit in table else reserved(bit) for bit in range(31, -1, -1))
    return Register(name, offset, 4, section, fields)


UNCORRECTABLE_STATUS = _bits("Uncorrectable Error Status", 0x04, "7.8.4.2", UNCORRECTABLE_BITS, RW1C)
UNCORRECTABLE_MASK = _bits("Uncorrectable Error Mask", 0x08, "7.8.4.3", UNCORRECTABLE_BITS, RW)
UNCORRECTABLE_SEVERITY = _bits("Uncorrectable Error Severity", 0x0C, "7.8.4.4", UNCORRECTABLE_BITS, RW)
CORRECTABLE_STATUS = _bits("Correctable Error Status", 0x10, "7.8.4.5", CORRECTABLE_BITS, RW1C)
CORRECTABLE_MASK = _bits("Correctable Error Mask", 0x14, "7.8.4.6", CORRECTABLE_BITS, RW)
CONTROL = Register("Advanced Error Capabilities and Control", 0x18, 4, "7.8.4.7", (
    reserved(31, 13),
    flag("Completion Timeout Prefix/Header Log Capable", 12, RO),
    flag("TLP Prefix Log Present", 11, RO),
    flag("Multiple Header Recording Enable", 10),
    flag("Multiple Header Recording Capable", 9, RO),
    flag("ECRC Check Enable", 8),
    flag("ECRC Check Capable", 7, RO),
    flag("ECRC Generation Enable", 6),
    flag("ECRC Generation Capable", 5, RO),
    Field("First Error Pointer", 4, 0, RO),
))  # fmt: skip
HEADER_LOG = Register("Header Log", 0x1C, 4, "7.8.4.8", (Field("Header Log", 31, 0, RO, HEX),), count=4, stride=4)
ROOT_COMMAND = Register("Root Error Command", 0x2C, 4, "7.8.4.9", (
    reserved(31, 3),
    flag("Fatal Error Reporting Enable", 2),
    flag("Non-Fatal Error Reporting Enable", 1),
    flag("Correctable Error Reporting Enable", 0),
))  # fmt: skip
ROOT_ERROR_STATUS = Register("Root Error Status", 0x30, 4, "7.8.4.10", (
    Field("Advanced Error Interrupt Message Number", 31, 27, RO),
    reserved(26, 9),
    Field("ERR_COR Subclass", 8, 7, RO),
    flag("Fatal Error Messages Received", 6, RW1C),
    flag("Non-Fatal Error Messages Received", 5, RW1C),
    flag("First Uncorrectable Fatal", 4, RW1C),
    flag("Multiple ERR_FATAL/NONFATAL Received", 3, RW1C),
    flag("ERR_FATAL/NONFATAL Received", 2, RW1C),
    flag("Multiple ERR_COR Received", 1, RW1C),
    flag("ERR_COR Received", 0, RW1C),
))  # fmt: skip
ERROR_SOURCE = Register("Error Source Identification", 0x34, 4, "7.8.4.11", (
    Field("ERR_FATAL/NONFATAL Source Identification", 31, 16, RO, HEX),
    Field("ERR_COR Source Identification", 15, 0, RO, HEX),
))  # fmt: skip

EVERY_FUNCTION = (
    UNCORRECTABLE_STATUS, UNCORRECTABLE_MASK, UNCORRECTABLE_SEVERITY, CORRECTABLE_STATUS, CORRECTABLE_MASK, CONTROL,
    HEADER_LOG,
)  # fmt: skip
ROOT_ONLY = (ROOT_COMMAND, ROOT_ERROR_STATUS, ERROR_SOURCE)


@lru_cache(maxsize=256)
def _present(express: int) -> tuple[Register, ...]:
    collects = port_type(express) in {ROOT_PORT, EVENT_COLLECTOR}
    return EVERY_FUNCTION + ROOT_ONLY * collects


ADVANCED_ERROR_REPORTING = Structure(
    "Advanced Error Reporting", 0x0001, extended=True, registers=EVERY_FUNCTION + ROOT_ONLY, present=_present
)

DPC_CAPABILITY = Register("DPC Capability", 0x04, 2, "7.9.14.2", (
    Field("RP PIO Log Size high", 13, 13, HWINIT),
    reserved(15, 14),
    flag("DL_Active ERR_COR Signaling Supported", 12, RO),
    Field("RP PIO Log Size", 11, 8, HWINIT),
    flag("DPC Software Triggering Supported", 7, RO),
    flag("Poisoned TLP Egress Blocking Supported", 6, RO),
    flag("RP Extensions for DPC", 5, RO),
    Field("DPC Interrupt Message Number", 4, 0, RO),
))  # fmt: skip
DPC_CONTROL = Register("DPC Control", 0x06, 2, "7.9.14.3", (
    reserved(15, 9),
    flag("DPC SIG_SFW Enable", 8),
    flag("DL_Active ERR_COR Enable", 7),
    flag("DPC Software Trigger", 6),
    flag("Poisoned TLP Egress Blocking Enable", 5),
    flag("DPC ERR_COR Enable", 4),
    flag("DPC Interrupt Enable", 3),
    flag("DPC Completion Control", 2),
    Field("DPC Trigger Enable", 1, 0, RW, names({0: "off", 1: "on fatal", 2: "on non-fatal or fatal"})),
))  # fmt: skip
DPC_STATUS = Register("DPC Status", 0x08, 2, "7.9.14.4", (
    reserved(15, 14),
    flag("DPC SIG_SFW Status", 13, RW1C),
    Field("RP PIO First Error Pointer", 12, 8, RO),
    reserved(7),
    Field("DPC Trigger Reason Extension", 6, 5, RO, names({0: "RP PIO error", 1: "software trigger"})),
    flag("DPC RP Busy", 4, RO),
    flag("DPC Interrupt Status", 3, RW1C),
    Field("DPC Trigger Reason", 2, 1, RO, names({
        0: "unmasked uncorrectable error", 1: "ERR_NONFATAL received", 2: "ERR_FATAL received", 3: "see extension",
    })),
    flag("DPC Trigger Status", 0, RW1C),
))  # fmt: skip
DPC_SOURCE = Register("DPC Error Source ID", 0x0A, 2, "7.9.14.5", (Field("DPC Error Source ID", 15, 0, RO, HEX),))
DOWNSTREAM_PORT_CONTAINMENT = Structure(
    "Downstream Port Containment", 0x001D, extended=True,
    registers=(DPC_CAPABILITY, DPC_CONTROL, DPC_STATUS, DPC_SOURCE),
)  # fmt: skip
