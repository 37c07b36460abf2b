"""PCI Express Capability (id 10h), versions 1 and 2. Base Specification 6.x, 7.5.3 (section numbers from memory).

Version 1 has nothing past its own end: what follows belongs to someone else. Which registers a function has depends on
its Device/Port Type, by the rules of the specification that the kernel keeps in `pcie_capability_reg_implemented`.
"""

from functools import lru_cache

from probe.registers.model import (
    FLAG,
    HEX,
    HWINIT,
    RO,
    RW,
    RW1C,
    Field,
    Meaning,
    Register,
    Structure,
    flag,
    names,
    reserved,
)
from probe.registers.values import L0S_EXIT, L1_EXIT, PAYLOAD, SPEED, SPEEDS, WIDTH

ENDPOINT = "Endpoint"
LEGACY_ENDPOINT = "Legacy Endpoint"
ROOT_PORT = "Root Port"
UPSTREAM_PORT = "Upstream Port of a Switch"
DOWNSTREAM_PORT = "Downstream Port of a Switch"
TO_PCI = "PCI Express to PCI/PCI-X Bridge"
FROM_PCI = "PCI/PCI-X to PCI Express Bridge"
INTEGRATED = "Root Complex Integrated Endpoint"
EVENT_COLLECTOR = "Root Complex Event Collector"

PORT_TYPES = {
    0x0: ENDPOINT, 0x1: LEGACY_ENDPOINT, 0x4: ROOT_PORT, 0x5: UPSTREAM_PORT, 0x6: DOWNSTREAM_PORT,
    0x7: TO_PCI, 0x8: FROM_PCI, 0x9: INTEGRATED, 0xA: EVENT_COLLECTOR,
}  # fmt: skip

_ASPM = names({0: "none", 1: "L0s", 2: "L1", 3: "L0s and L1"})
_ASPM_ON = names({0: "off", 1: "L0s", 2: "L1", 3: "L0s and L1"})
_POWER_SCALE = names({0: "x 1 W", 1: "x 0.1 W", 2: "x 0.01 W", 3: "x 0.001 W"})
_INDICATOR = names({1: "on", 2: "blinking", 3: "off"})
_TIMEOUT = names({
    0: "50 us to 50 ms", 1: "50 us to 100 us", 2: "1 ms to 10 ms", 5: "16 ms to 55 ms", 6: "65 ms to 210 ms",
    9: "260 ms to 900 ms", 10: "1 s to 3.5 s", 13: "4 s to 13 s", 14: "17 s to 64 s",
})  # fmt: skip
_PRESENCE = names({
    0: "link down, presence not determined", 1: "link down, nothing there", 2: "link down, component there",
    4: "link up, component there", 5: "link up, component there and ready",
})  # fmt: skip

CAPABILITIES = Register("PCI Express Capabilities", 0x02, 2, "7.5.3.2", (
    flag("Flit Mode Supported", 15, HWINIT),
    reserved(14),
    Field("Interrupt Message Number", 13, 9, RO),
    flag("Slot Implemented", 8, HWINIT),
    Field("Device/Port Type", 7, 4, RO, names(PORT_TYPES)),
    Field("Capability Version", 3, 0, RO),
))  # fmt: skip
DEVICE_CAPABILITIES = Register("Device Capabilities", 0x04, 4, "7.5.3.3", (
    reserved(31, 29),
    flag("Function Level Reset Capability", 28, RO),
    Field("Captured Slot Power Limit Scale", 27, 26, RO, _POWER_SCALE),
    Field("Captured Slot Power Limit Value", 25, 18, RO),
    reserved(17),
    flag("ERR_COR Subclass Capable", 16, RO),
    flag("Role-Based Error Reporting", 15, RO),
    Field("Undefined", 14, 12, RO, HEX),
    Field("Endpoint L1 Acceptable Latency", 11, 9, RO, L1_EXIT),
    Field("Endpoint L0s Acceptable Latency", 8, 6, RO, L0S_EXIT),
    flag("Extended Tag Field Supported", 5, RO),
    Field("Phantom Functions Supported", 4, 3, RO),
    Field("Max_Payload_Size Supported", 2, 0, RO, PAYLOAD),
))  # fmt: skip
DEVICE_CONTROL = Register("Device Control", 0x08, 2, "7.5.3.4", (
    flag("Bridge Configuration Retry Enable or Initiate Function Level Reset", 15),
    Field("Max_Read_Request_Size", 14, 12, RW, PAYLOAD),
    flag("Enable No Snoop", 11),
    flag("Aux Power PM Enable", 10),
    flag("Phantom Functions Enable", 9),
    flag("Extended Tag Field Enable", 8),
    Field("Max_Payload_Size", 7, 5, RW, PAYLOAD),
    flag("Enable Relaxed Ordering", 4),
    flag("Unsupported Request Reporting Enable", 3),
    flag("Fatal Error Reporting Enable", 2),
    flag("Non-Fatal Error Reporting Enable", 1),
    flag("Correctable Error Reporting Enable", 0),
))  # fmt: skip
DEVICE_STATUS = Register("Device Status", 0x0A, 2, "7.5.3.5", (
    reserved(15, 7),
    flag("Emergency Power Reduction Detected", 6, RW1C),
    flag("Transactions Pending", 5, RO),
    flag("AUX Power Detected", 4, RO),
    flag("Unsupported Request Detected", 3, RW1C),
    flag("Fatal Error Detected", 2, RW1C),
    flag("Non-Fatal Error Detected", 1, RW1C),
    flag("Correctable Error Detected", 0, RW1C),
))  # fmt: skip
LINK_CAPABILITIES = Register("Link Capabilities", 0x0C, 4, "7.5.3.6", (
    Field("Port Number", 31, 24, HWINIT),
    reserved(23),
    flag("ASPM Optionality Compliance", 22, HWINIT),
    flag("Link Bandwidth Notification Capability", 21, RO),
    flag("Data Link Layer Link Active Reporting Capable", 20, RO),
    flag("Surprise Down Error Reporting Capable", 19, RO),
    flag("Clock Power Management", 18, RO),
    Field("L1 Exit Latency", 17, 15, RO, L1_EXIT),
    Field("L0s Exit Latency", 14, 12, RO, L0S_EXIT),
    Field("ASPM Support", 11, 10, RO, _ASPM),
    Field("Maximum Link Width", 9, 4, RO, WIDTH),
    Field("Max Link Speed", 3, 0, RO, SPEED),
))  # fmt: skip
LINK_CONTROL = Register("Link Control", 0x10, 2, "7.5.3.7", (
    Field("DRS Signaling Control", 15, 14, RW),
    flag("Flit Mode Disable", 13),
    flag("SRIS Clocking", 12),
    flag("Link Autonomous Bandwidth Interrupt Enable", 11),
    flag("Link Bandwidth Management Interrupt Enable", 10),
    flag("Hardware Autonomous Width Disable", 9),
    flag("Enable Clock Power Management", 8),
    flag("Extended Synch", 7),
    flag("Common Clock Configuration", 6),
    flag("Retrain Link", 5),
    flag("Link Disable", 4),
    Field("Read Completion Boundary", 3, 3, RW, Meaning({0: 64, 1: 128}.get, " bytes")),
    flag("PTM Propagation Delay Adaptation Interpretation B", 2),
    Field("ASPM Control", 1, 0, RW, _ASPM_ON),
))  # fmt: skip
LINK_STATUS = Register("Link Status", 0x12, 2, "7.5.3.8", (
    flag("Link Autonomous Bandwidth Status", 15, RW1C),
    flag("Link Bandwidth Management Status", 14, RW1C),
    flag("Data Link Layer Link Active", 13, RO),
    flag("Slot Clock Configuration", 12, HWINIT),
    flag("Link Training", 11, RO),
    Field("Undefined", 10, 10, RO, FLAG),
    Field("Negotiated Link Width", 9, 4, RO, WIDTH),
    Field("Current Link Speed", 3, 0, RO, SPEED),
))  # fmt: skip
SLOT_CAPABILITIES = Register("Slot Capabilities", 0x14, 4, "7.5.3.9", (
    Field("Physical Slot Number", 31, 19, HWINIT),
    flag("No Command Completed Support", 18, HWINIT),
    flag("Electromechanical Interlock Present", 17, HWINIT),
    Field("Slot Power Limit Scale", 16, 15, HWINIT, _POWER_SCALE),
    Field("Slot Power Limit Value", 14, 7, HWINIT),
    flag("Hot-Plug Capable", 6, HWINIT),
    flag("Hot-Plug Surprise", 5, HWINIT),
    flag("Power Indicator Present", 4, HWINIT),
    flag("Attention Indicator Present", 3, HWINIT),
    flag("MRL Sensor Present", 2, HWINIT),
    flag("Power Controller Present", 1, HWINIT),
    flag("Attention Button Present", 0, HWINIT),
))  # fmt: skip
SLOT_CONTROL = Register("Slot Control", 0x18, 2, "7.5.3.10", (
    reserved(15, 14),
    flag("Auto Slot Power Limit Disable", 13),
    flag("Data Link Layer State Changed Enable", 12),
    flag("Electromechanical Interlock Control", 11),
    Field("Power Controller Control", 10, 10, RW, names({0: "power on", 1: "power off"})),
    Field("Power Indicator Control", 9, 8, RW, _INDICATOR),
    Field("Attention Indicator Control", 7, 6, RW, _INDICATOR),
    flag("Hot-Plug Interrupt Enable", 5),
    flag("Command Completed Interrupt Enable", 4),
    flag("Presence Detect Changed Enable", 3),
    flag("MRL Sensor Changed Enable", 2),
    flag("Power Fault Detected Enable", 1),
    flag("Attention Button Pressed Enable", 0),
))  # fmt: skip
SLOT_STATUS = Register("Slot Status", 0x1A, 2, "7.5.3.11", (
    reserved(15, 9),
    flag("Data Link Layer State Changed", 8, RW1C),
    flag("Electromechanical Interlock Status", 7, RO),
    Field("Presence Detect State", 6, 6, RO, names({0: "slot empty", 1: "card present"})),
    Field("MRL Sensor State", 5, 5, RO, names({0: "closed", 1: "open"})),
    flag("Command Completed", 4, RW1C),
    flag("Presence Detect Changed", 3, RW1C),
    flag("MRL Sensor Changed", 2, RW1C),
    flag("Power Fault Detected", 1, RW1C),
    flag("Attention Button Pressed", 0, RW1C),
))  # fmt: skip
ROOT_CONTROL = Register("Root Control", 0x1C, 2, "7.5.3.12", (
    reserved(15, 5),
    flag("CRS Software Visibility Enable", 4),
    flag("PME Interrupt Enable", 3),
    flag("System Error on Fatal Error Enable", 2),
    flag("System Error on Non-Fatal Error Enable", 1),
    flag("System Error on Correctable Error Enable", 0),
))  # fmt: skip
ROOT_CAPABILITIES = Register("Root Capabilities", 0x1E, 2, "7.5.3.13", (
    reserved(15, 1),
    flag("CRS Software Visibility", 0, RO),
))  # fmt: skip
ROOT_STATUS = Register("Root Status", 0x20, 4, "7.5.3.14", (
    reserved(31, 18),
    flag("PME Pending", 17, RO),
    flag("PME Status", 16, RW1C),
    Field("PME Requester ID", 15, 0, RO, HEX),
))  # fmt: skip
DEVICE_CAPABILITIES_2 = Register("Device Capabilities 2", 0x24, 4, "7.5.3.15", (
    flag("FRS Supported", 31, HWINIT),
    Field("DMWr Lengths Supported", 30, 29, HWINIT),
    flag("DMWr Completer Supported", 28, HWINIT),
    flag("DMWr Request Routing Supported", 27, HWINIT),
    flag("Emergency Power Reduction Initialization Required", 26, HWINIT),
    Field("Emergency Power Reduction Supported", 25, 24, HWINIT),
    Field("Max End-End TLP Prefixes", 23, 22, HWINIT),
    flag("End-End TLP Prefix Supported", 21, HWINIT),
    flag("Extended Fmt Field Supported", 20, RO),
    Field("OBFF Supported", 19, 18, HWINIT, names({0: "no", 1: "by message", 2: "by WAKE#", 3: "both"})),
    flag("10-Bit Tag Requester Supported", 17, HWINIT),
    flag("10-Bit Tag Completer Supported", 16, HWINIT),
    Field("LN System CLS", 15, 14, HWINIT),
    Field("TPH Completer Supported", 13, 12, RO),
    flag("LTR Mechanism Supported", 11, RO),
    flag("No RO-enabled PR-PR Passing", 10, HWINIT),
    flag("128-bit CAS Completer Supported", 9, RO),
    flag("64-bit AtomicOp Completer Supported", 8, RO),
    flag("32-bit AtomicOp Completer Supported", 7, RO),
    flag("AtomicOp Routing Supported", 6, RO),
    flag("ARI Forwarding Supported", 5, RO),
    flag("Completion Timeout Disable Supported", 4, RO),
    Field("Completion Timeout Ranges Supported", 3, 0, HWINIT, HEX),
))  # fmt: skip
DEVICE_CONTROL_2 = Register("Device Control 2", 0x28, 2, "7.5.3.16", (
    flag("End-End TLP Prefix Blocking", 15),
    Field("OBFF Enable", 14, 13, RW, names({0: "off", 1: "by message, A", 2: "by message, B", 3: "by WAKE#"})),
    flag("10-Bit Tag Requester Enable", 12),
    flag("Emergency Power Reduction Request", 11),
    flag("LTR Mechanism Enable", 10),
    flag("IDO Completion Enable", 9),
    flag("IDO Request Enable", 8),
    flag("AtomicOp Egress Blocking", 7),
    flag("AtomicOp Requester Enable", 6),
    flag("ARI Forwarding Enable", 5),
    flag("Completion Timeout Disable", 4),
    Field("Completion Timeout Value", 3, 0, RW, _TIMEOUT),
))  # fmt: skip
DEVICE_STATUS_2 = Register("Device Status 2", 0x2A, 2, "7.5.3.17", (reserved(15, 0),))
LINK_CAPABILITIES_2 = Register("Link Capabilities 2", 0x2C, 4, "7.5.3.18", (
    flag("DRS Supported", 31, HWINIT),
    reserved(30, 25),
    flag("Two Retimers Presence Detect Supported", 24, HWINIT),
    flag("Retimer Presence Detect Supported", 23, HWINIT),
    Field("Lower SKP OS Reception Supported Speeds Vector", 22, 16, HWINIT, SPEEDS),
    Field("Lower SKP OS Generation Supported Speeds Vector", 15, 9, HWINIT, SPEEDS),
    flag("Crosslink Supported", 8, RO),
    Field("Supported Link Speeds Vector", 7, 1, HWINIT, SPEEDS),
    reserved(0),
))  # fmt: skip
LINK_CONTROL_2 = Register("Link Control 2", 0x30, 2, "7.5.3.19", (
    Field("Compliance Preset/De-emphasis", 15, 12, RW, HEX),
    flag("Compliance SOS", 11),
    flag("Enter Modified Compliance", 10),
    Field("Transmit Margin", 9, 7, RW),
    Field("Selectable De-emphasis", 6, 6, HWINIT, names({0: "-6 dB", 1: "-3.5 dB"})),
    flag("Hardware Autonomous Speed Disable", 5),
    flag("Enter Compliance", 4),
    Field("Target Link Speed", 3, 0, RW, SPEED),
))  # fmt: skip
LINK_STATUS_2 = Register("Link Status 2", 0x32, 2, "7.5.3.20", (
    flag("DRS Message Received", 15, RW1C),
    Field("Downstream Component Presence", 14, 12, RO, _PRESENCE),
    reserved(11),
    flag("Flit Mode Status", 10, RO),
    Field("Crosslink Resolution", 9, 8, RO),
    flag("Two Retimers Presence Detected", 7, RO),
    flag("Retimer Presence Detected", 6, RO),
    flag("Link Equalization Request 8.0 GT/s", 5, RW1C),
    flag("Equalization 8.0 GT/s Phase 3 Successful", 4, RO),
    flag("Equalization 8.0 GT/s Phase 2 Successful", 3, RO),
    flag("Equalization 8.0 GT/s Phase 1 Successful", 2, RO),
    flag("Equalization 8.0 GT/s Complete", 1, RO),
    Field("Current De-emphasis Level", 0, 0, RO, names({0: "-6 dB", 1: "-3.5 dB"})),
))  # fmt: skip
SLOT_CAPABILITIES_2 = Register("Slot Capabilities 2", 0x34, 4, "7.5.3.21", (
    reserved(31, 1),
    flag("In-Band PD Disable Supported", 0, HWINIT),
))  # fmt: skip
SLOT_CONTROL_2 = Register("Slot Control 2", 0x38, 2, "7.5.3.22", (reserved(15, 0),), routine=False)
SLOT_STATUS_2 = Register("Slot Status 2", 0x3A, 2, "7.5.3.23", (reserved(15, 0),), routine=False)

_DEVICE = (CAPABILITIES, DEVICE_CAPABILITIES, DEVICE_CONTROL, DEVICE_STATUS)
_LINK = (LINK_CAPABILITIES, LINK_CONTROL, LINK_STATUS)
_SLOT = (SLOT_CAPABILITIES, SLOT_CONTROL, SLOT_STATUS)
_ROOT = (ROOT_CONTROL, ROOT_CAPABILITIES, ROOT_STATUS)
_DEVICE_2 = (DEVICE_CAPABILITIES_2, DEVICE_CONTROL_2, DEVICE_STATUS_2)
_LINK_2 = (LINK_CAPABILITIES_2, LINK_CONTROL_2, LINK_STATUS_2)
_SLOT_2 = (SLOT_CAPABILITIES_2, SLOT_CONTROL_2, SLOT_STATUS_2)


def port_type(flags: int) -> str | None:
    """The Device/Port Type that a raw PCI Express Capabilities register states; None for a reserved encoding."""
    return PORT_TYPES.get(CAPABILITIES["Device/Port Type"].field.raw(flags))


@lru_cache(maxsize=256)
def _present(flags: int) -> tuple[Register, ...]:
    version = CAPABILITIES["Capability Version"].field.raw(flags)
    kind = port_type(flags)
    link = kind not in {INTEGRATED, EVENT_COLLECTOR}
    slot = kind in {ROOT_PORT, DOWNSTREAM_PORT, FROM_PCI} and bool(CAPABILITIES["Slot Implemented"].field.raw(flags))
    root = kind in {ROOT_PORT, EVENT_COLLECTOR}
    first = _DEVICE + _LINK * link + _SLOT * slot + _ROOT * root
    if version < 2:  # noqa: PLR2004 - version 1 ends where its own registers end
        return first
    return first + _DEVICE_2 + _LINK_2 * link + _SLOT_2 * slot


PCI_EXPRESS = Structure(
    "PCI Express", 0x10, extended=False,
    registers=_DEVICE + _LINK + _SLOT + _ROOT + _DEVICE_2 + _LINK_2 + _SLOT_2, present=_present,
)  # fmt: skip
