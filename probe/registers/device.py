"""PCI Express Capability: the registers of the Function and of a Root Port. Base Specification 6.x, 7.5.3."""

from probe.registers.table_language import (
    HWINIT,
    RO,
    RW,
    RW1C,
    Meaning,
    Register,
    coded,
    flag,
    hexadecimal,
    names,
    number,
)
from probe.registers.values import L0S_EXIT, L1_EXIT, PAYLOAD, POWER_SCALE

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

_TIMEOUT = names({
    0: "50 us to 50 ms", 1: "50 us to 100 us", 2: "1 ms to 10 ms", 5: "16 ms to 55 ms", 6: "65 ms to 210 ms",
    9: "260 ms to 900 ms", 10: "1 s to 3.5 s", 13: "4 s to 13 s", 14: "17 s to 64 s",
})  # fmt: skip

TIMEOUT_RANGES = {"A": "50 us to 10 ms", "B": "10 ms to 250 ms", "C": "250 ms to 4 s", "D": "4 s to 64 s"}
"""The ranges that a Completion Timeout can be set in, by their letters. Section 7.5.3.15."""
_RANGE_CODES = {0x0: "", 0x1: "A", 0x2: "B", 0x3: "AB", 0x6: "BC", 0x7: "ABC", 0xE: "BCD", 0xF: "ABCD"}


def _timeout_ranges(raw: int) -> tuple[str, ...] | None:
    letters = _RANGE_CODES.get(raw)
    return None if letters is None else tuple(letters)


def _timeout_words(raw: int) -> str:
    letters = _timeout_ranges(raw)
    return "reserved" if letters is None else ", ".join(letters) or "not programmable"


_TIMEOUT_RANGES: Meaning[tuple[str, ...]] = Meaning(_timeout_ranges, write=_timeout_words)


class ExpressCapabilities(
    Register, name="PCI Express Capabilities", offset=0x02, size=2, section="7.5.3.2", reserved=((14, 14),)
):
    flit_mode_supported = flag("Flit Mode Supported", 15, HWINIT)
    interrupt_message_number = number("Interrupt Message Number", 13, 9, RO)
    slot_implemented = flag("Slot Implemented", 8, HWINIT)
    device_port_type = coded("Device/Port Type", 7, 4, RO, names(PORT_TYPES))
    capability_version = number("Capability Version", 3, 0, RO)


class DeviceCapabilities(
    Register, name="Device Capabilities", offset=0x04, size=4, section="7.5.3.3", reserved=((31, 29), (17, 17))
):
    function_level_reset_capability = flag("Function Level Reset Capability", 28, RO)
    captured_slot_power_limit_scale = coded("Captured Slot Power Limit Scale", 27, 26, RO, POWER_SCALE)
    captured_slot_power_limit_value = number("Captured Slot Power Limit Value", 25, 18, RO)
    err_cor_subclass_capable = flag("ERR_COR Subclass Capable", 16, RO)
    role_based_error_reporting = flag("Role-Based Error Reporting", 15, RO)
    undefined = hexadecimal("Undefined", 14, 12, RO)
    endpoint_l1_acceptable_latency = coded("Endpoint L1 Acceptable Latency", 11, 9, RO, L1_EXIT)
    endpoint_l0s_acceptable_latency = coded("Endpoint L0s Acceptable Latency", 8, 6, RO, L0S_EXIT)
    extended_tag_field_supported = flag("Extended Tag Field Supported", 5, RO)
    phantom_functions_supported = number("Phantom Functions Supported", 4, 3, RO)
    max_payload_size_supported = coded("Max_Payload_Size Supported", 2, 0, RO, PAYLOAD)


class DeviceControl(Register, name="Device Control", offset=0x08, size=2, section="7.5.3.4"):
    retry_enable_or_function_level_reset = flag(
        "Bridge Configuration Retry Enable or Initiate Function Level Reset", 15
    )
    max_read_request_size = coded("Max_Read_Request_Size", 14, 12, RW, PAYLOAD)
    enable_no_snoop = flag("Enable No Snoop", 11)
    aux_power_pm_enable = flag("Aux Power PM Enable", 10)
    phantom_functions_enable = flag("Phantom Functions Enable", 9)
    extended_tag_field_enable = flag("Extended Tag Field Enable", 8)
    max_payload_size = coded("Max_Payload_Size", 7, 5, RW, PAYLOAD)
    enable_relaxed_ordering = flag("Enable Relaxed Ordering", 4)
    unsupported_request_reporting_enable = flag("Unsupported Request Reporting Enable", 3)
    fatal_error_reporting_enable = flag("Fatal Error Reporting Enable", 2)
    non_fatal_error_reporting_enable = flag("Non-Fatal Error Reporting Enable", 1)
    correctable_error_reporting_enable = flag("Correctable Error Reporting Enable", 0)


class DeviceStatus(Register, name="Device Status", offset=0x0A, size=2, section="7.5.3.5", reserved=((15, 7),)):
    emergency_power_reduction_detected = flag("Emergency Power Reduction Detected", 6, RW1C)
    transactions_pending = flag("Transactions Pending", 5, RO)
    aux_power_detected = flag("AUX Power Detected", 4, RO)
    unsupported_request_detected = flag("Unsupported Request Detected", 3, RW1C)
    fatal_error_detected = flag("Fatal Error Detected", 2, RW1C)
    non_fatal_error_detected = flag("Non-Fatal Error Detected", 1, RW1C)
    correctable_error_detected = flag("Correctable Error Detected", 0, RW1C)


class RootControl(Register, name="Root Control", offset=0x1C, size=2, section="7.5.3.12", reserved=((15, 5),)):
    crs_software_visibility_enable = flag("CRS Software Visibility Enable", 4)
    pme_interrupt_enable = flag("PME Interrupt Enable", 3)
    system_error_on_fatal_error_enable = flag("System Error on Fatal Error Enable", 2)
    system_error_on_non_fatal_error_enable = flag("System Error on Non-Fatal Error Enable", 1)
    system_error_on_correctable_error_enable = flag("System Error on Correctable Error Enable", 0)


class RootCapabilities(
    Register, name="Root Capabilities", offset=0x1E, size=2, section="7.5.3.13", reserved=((15, 1),)
):
    crs_software_visibility = flag("CRS Software Visibility", 0, RO)


class RootStatus(Register, name="Root Status", offset=0x20, size=4, section="7.5.3.14", reserved=((31, 18),)):
    pme_pending = flag("PME Pending", 17, RO)
    pme_status = flag("PME Status", 16, RW1C)
    pme_requester_id = hexadecimal("PME Requester ID", 15, 0, RO)


class DeviceCapabilities2(Register, name="Device Capabilities 2", offset=0x24, size=4, section="7.5.3.15"):
    frs_supported = flag("FRS Supported", 31, HWINIT)
    dmwr_lengths_supported = number("DMWr Lengths Supported", 30, 29, HWINIT)
    dmwr_completer_supported = flag("DMWr Completer Supported", 28, HWINIT)
    dmwr_request_routing_supported = flag("DMWr Request Routing Supported", 27, HWINIT)
    emergency_power_reduction_initialization_required = flag(
        "Emergency Power Reduction Initialization Required", 26, HWINIT
    )
    emergency_power_reduction_supported = number("Emergency Power Reduction Supported", 25, 24, HWINIT)
    max_end_end_tlp_prefixes = number("Max End-End TLP Prefixes", 23, 22, HWINIT)
    end_end_tlp_prefix_supported = flag("End-End TLP Prefix Supported", 21, HWINIT)
    extended_fmt_field_supported = flag("Extended Fmt Field Supported", 20, RO)
    obff_supported = coded(
        "OBFF Supported", 19, 18, HWINIT, names({0: "no", 1: "by message", 2: "by WAKE#", 3: "both"})
    )
    ten_bit_tag_requester_supported = flag("10-Bit Tag Requester Supported", 17, HWINIT)
    ten_bit_tag_completer_supported = flag("10-Bit Tag Completer Supported", 16, HWINIT)
    ln_system_cls = number("LN System CLS", 15, 14, HWINIT)
    tph_completer_supported = number("TPH Completer Supported", 13, 12, RO)
    ltr_mechanism_supported = flag("LTR Mechanism Supported", 11, RO)
    no_ro_enabled_pr_pr_passing = flag("No RO-enabled PR-PR Passing", 10, HWINIT)
    cas_completer_supported_128_bit = flag("128-bit CAS Completer Supported", 9, RO)
    atomic_op_completer_supported_64_bit = flag("64-bit AtomicOp Completer Supported", 8, RO)
    atomic_op_completer_supported_32_bit = flag("32-bit AtomicOp Completer Supported", 7, RO)
    atomic_op_routing_supported = flag("AtomicOp Routing Supported", 6, RO)
    ari_forwarding_supported = flag("ARI Forwarding Supported", 5, RO)
    completion_timeout_disable_supported = flag("Completion Timeout Disable Supported", 4, RO)
    completion_timeout_ranges_supported = coded("Completion Timeout Ranges Supported", 3, 0, HWINIT, _TIMEOUT_RANGES)


class DeviceControl2(Register, name="Device Control 2", offset=0x28, size=2, section="7.5.3.16"):
    end_end_tlp_prefix_blocking = flag("End-End TLP Prefix Blocking", 15)
    obff_enable = coded(
        "OBFF Enable", 14, 13, RW, names({0: "off", 1: "by message, A", 2: "by message, B", 3: "by WAKE#"})
    )
    ten_bit_tag_requester_enable = flag("10-Bit Tag Requester Enable", 12)
    emergency_power_reduction_request = flag("Emergency Power Reduction Request", 11)
    ltr_mechanism_enable = flag("LTR Mechanism Enable", 10)
    ido_completion_enable = flag("IDO Completion Enable", 9)
    ido_request_enable = flag("IDO Request Enable", 8)
    atomic_op_egress_blocking = flag("AtomicOp Egress Blocking", 7)
    atomic_op_requester_enable = flag("AtomicOp Requester Enable", 6)
    ari_forwarding_enable = flag("ARI Forwarding Enable", 5)
    completion_timeout_disable = flag("Completion Timeout Disable", 4)
    completion_timeout_value = coded("Completion Timeout Value", 3, 0, RW, _TIMEOUT)


class DeviceStatus2(Register, name="Device Status 2", offset=0x2A, size=2, section="7.5.3.17", reserved=((15, 0),)): ...
