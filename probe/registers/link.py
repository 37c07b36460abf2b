"""PCI Express Capability: the registers of the link. Base Specification 6.x, 7.5.3."""

from probe.registers.table_language import HWINIT, RO, RW, RW1C, Register, coded, flag, hexadecimal, names, number
from probe.registers.values import L0S_EXIT, L1_EXIT, SPEED, SPEEDS, WIDTH

_ASPM = names({0: "none", 1: "L0s", 2: "L1", 3: "L0s and L1"})
_ASPM_ON = names({0: "off", 1: "L0s", 2: "L1", 3: "L0s and L1"})
ASPM_STATES: dict[str, tuple[str, ...]] = {
    "none": (), "off": (), "L0s": ("L0s",), "L1": ("L1",), "L0s and L1": ("L0s", "L1"),
}  # fmt: skip
"""The states that each value of ASPM Support and ASPM Control stands for."""
_PRESENCE = names({
    0: "link down, presence not determined", 1: "link down, nothing there", 2: "link down, component there",
    4: "link up, component there", 5: "link up, component there and ready",
})  # fmt: skip


class LinkCapabilities(
    Register, name="Link Capabilities", offset=0x0C, size=4, section="7.5.3.6", reserved=((23, 23),)
):
    port_number = number("Port Number", 31, 24, HWINIT)
    aspm_optionality_compliance = flag("ASPM Optionality Compliance", 22, HWINIT)
    link_bandwidth_notification_capability = flag("Link Bandwidth Notification Capability", 21, RO)
    data_link_layer_link_active_reporting_capable = flag("Data Link Layer Link Active Reporting Capable", 20, RO)
    surprise_down_error_reporting_capable = flag("Surprise Down Error Reporting Capable", 19, RO)
    clock_power_management = flag("Clock Power Management", 18, RO)
    l1_exit_latency = coded("L1 Exit Latency", 17, 15, RO, L1_EXIT)
    l0s_exit_latency = coded("L0s Exit Latency", 14, 12, RO, L0S_EXIT)
    aspm_support = coded("ASPM Support", 11, 10, RO, _ASPM)
    maximum_link_width = coded("Maximum Link Width", 9, 4, RO, WIDTH)
    max_link_speed = coded("Max Link Speed", 3, 0, RO, SPEED)


class LinkControl(Register, name="Link Control", offset=0x10, size=2, section="7.5.3.7"):
    drs_signaling_control = number("DRS Signaling Control", 15, 14, RW)
    flit_mode_disable = flag("Flit Mode Disable", 13)
    sris_clocking = flag("SRIS Clocking", 12)
    link_autonomous_bandwidth_interrupt_enable = flag("Link Autonomous Bandwidth Interrupt Enable", 11)
    link_bandwidth_management_interrupt_enable = flag("Link Bandwidth Management Interrupt Enable", 10)
    hardware_autonomous_width_disable = flag("Hardware Autonomous Width Disable", 9)
    enable_clock_power_management = flag("Enable Clock Power Management", 8)
    extended_synch = flag("Extended Synch", 7)
    common_clock_configuration = flag("Common Clock Configuration", 6)
    retrain_link = flag("Retrain Link", 5)
    link_disable = flag("Link Disable", 4)
    read_completion_boundary = coded("Read Completion Boundary", 3, 3, RW, names({0: "64", 1: "128"}))
    ptm_interpretation_b = flag("PTM Propagation Delay Adaptation Interpretation B", 2)
    aspm_control = coded("ASPM Control", 1, 0, RW, _ASPM_ON)


class LinkStatus(Register, name="Link Status", offset=0x12, size=2, section="7.5.3.8"):
    link_autonomous_bandwidth_status = flag("Link Autonomous Bandwidth Status", 15, RW1C)
    link_bandwidth_management_status = flag("Link Bandwidth Management Status", 14, RW1C)
    data_link_layer_link_active = flag("Data Link Layer Link Active", 13, RO)
    slot_clock_configuration = flag("Slot Clock Configuration", 12, HWINIT)
    link_training = flag("Link Training", 11, RO)
    undefined = flag("Undefined", 10, RO)
    negotiated_link_width = coded("Negotiated Link Width", 9, 4, RO, WIDTH)
    current_link_speed = coded("Current Link Speed", 3, 0, RO, SPEED)


class LinkCapabilities2(
    Register, name="Link Capabilities 2", offset=0x2C, size=4, section="7.5.3.18", reserved=((30, 25), (0, 0))
):
    drs_supported = flag("DRS Supported", 31, HWINIT)
    two_retimers_presence_detect_supported = flag("Two Retimers Presence Detect Supported", 24, HWINIT)
    retimer_presence_detect_supported = flag("Retimer Presence Detect Supported", 23, HWINIT)
    lower_skp_os_reception_supported_speeds_vector = coded(
        "Lower SKP OS Reception Supported Speeds Vector", 22, 16, HWINIT, SPEEDS
    )
    lower_skp_os_generation_supported_speeds_vector = coded(
        "Lower SKP OS Generation Supported Speeds Vector", 15, 9, HWINIT, SPEEDS
    )
    crosslink_supported = flag("Crosslink Supported", 8, RO)
    supported_link_speeds_vector = coded("Supported Link Speeds Vector", 7, 1, HWINIT, SPEEDS)


class LinkControl2(Register, name="Link Control 2", offset=0x30, size=2, section="7.5.3.19"):
    compliance_preset_de_emphasis = hexadecimal("Compliance Preset/De-emphasis", 15, 12, RW)
    compliance_sos = flag("Compliance SOS", 11)
    enter_modified_compliance = flag("Enter Modified Compliance", 10)
    transmit_margin = number("Transmit Margin", 9, 7, RW)
    selectable_de_emphasis = coded("Selectable De-emphasis", 6, 6, HWINIT, names({0: "-6 dB", 1: "-3.5 dB"}))
    hardware_autonomous_speed_disable = flag("Hardware Autonomous Speed Disable", 5)
    enter_compliance = flag("Enter Compliance", 4)
    target_link_speed = coded("Target Link Speed", 3, 0, RW, SPEED)


class LinkStatus2(Register, name="Link Status 2", offset=0x32, size=2, section="7.5.3.20", reserved=((11, 11),)):
    drs_message_received = flag("DRS Message Received", 15, RW1C)
    downstream_component_presence = coded("Downstream Component Presence", 14, 12, RO, _PRESENCE)
    flit_mode_status = flag("Flit Mode Status", 10, RO)
    crosslink_resolution = number("Crosslink Resolution", 9, 8, RO)
    two_retimers_presence_detected = flag("Two Retimers Presence Detected", 7, RO)
    retimer_presence_detected = flag("Retimer Presence Detected", 6, RO)
    link_equalization_request_8 = flag("Link Equalization Request 8.0 GT/s", 5, RW1C)
    equalization_8_phase_3_successful = flag("Equalization 8.0 GT/s Phase 3 Successful", 4, RO)
    equalization_8_phase_2_successful = flag("Equalization 8.0 GT/s Phase 2 Successful", 3, RO)
    equalization_8_phase_1_successful = flag("Equalization 8.0 GT/s Phase 1 Successful", 2, RO)
    equalization_8_complete = flag("Equalization 8.0 GT/s Complete", 1, RO)
    current_de_emphasis_level = coded("Current De-emphasis Level", 0, 0, RO, names({0: "-6 dB", 1: "-3.5 dB"}))
