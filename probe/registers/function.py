"""Capabilities of a Function beside its link: power, identity, isolation, virtual functions.

Base Specification 6.x: 7.5.2, 7.8.3, 7.9.3, 7.7.11, 7.8.8, 9.3.3 (section numbers from memory).
"""

from probe.counted import counted
from probe.registers.table_language import (
    HWINIT,
    RO,
    RW,
    RW1C,
    Meaning,
    Register,
    Structure,
    coded,
    flag,
    hexadecimal,
    names,
    number,
)


class PowerManagementCapabilities(
    Register, name="Power Management Capabilities", offset=0x02, size=2, section="7.5.2.1"
):
    pme_support = hexadecimal("PME Support", 15, 11, RO)
    d2_support = flag("D2 Support", 10, RO)
    d1_support = flag("D1 Support", 9, RO)
    aux_current = number("Aux Current", 8, 6, RO)
    device_specific_initialization = flag("Device Specific Initialization", 5, RO)
    immediate_readiness_on_return_to_d0 = flag("Immediate Readiness on Return to D0", 4, RO)
    pme_clock = flag("PME Clock", 3, RO)
    version = number("Version", 2, 0, RO)


class PowerManagementControlStatus(
    Register,
    name="Power Management Control/Status",
    offset=0x04,
    size=4,
    section="7.5.2.2",
    reserved=((21, 16), (7, 4), (2, 2)),
):
    data = hexadecimal("Data", 31, 24, RO)
    undefined = hexadecimal("Undefined", 23, 22, RO)
    pme_status = flag("PME Status", 15, RW1C)
    data_scale = number("Data Scale", 14, 13, RO)
    data_select = number("Data Select", 12, 9, RW)
    pme_enable = flag("PME Enable", 8)
    no_soft_reset = flag("No_Soft_Reset", 3, RO)
    power_state = coded("PowerState", 1, 0, RW, names({0: "D0", 1: "D1", 2: "D2", 3: "D3hot"}))


POWER_MANAGEMENT = Structure(
    "Power Management", 0x01, extended=False, registers=(PowerManagementCapabilities, PowerManagementControlStatus)
)


class SerialNumberLower(Register, name="Serial Number, lower", offset=0x04, size=4, section="7.9.3.2"):
    serial_number_lower = hexadecimal("Serial Number, lower", 31, 0, RO)


class SerialNumberUpper(Register, name="Serial Number, upper", offset=0x08, size=4, section="7.9.3.2"):
    serial_number_upper = hexadecimal("Serial Number, upper", 31, 0, RO)


DEVICE_SERIAL_NUMBER = Structure(
    "Device Serial Number", 0x0003, extended=True, registers=(SerialNumberLower, SerialNumberUpper)
)


def serial_text(lower: int, upper: int) -> str:
    """A Device Serial Number, high byte first, as the kernel prints it."""
    return (upper << 32 | lower).to_bytes(8, "big").hex("-")


def serial_halves(serial: int) -> tuple[int, int]:
    """The lower and the upper register of a Device Serial Number."""
    return serial & 0xFFFF_FFFF, serial >> 32


class _AcsKinds:
    acs_translated_p2p = flag("ACS Translated P2P{}", 6)
    acs_p2p_egress_control = flag("ACS P2P Egress Control{}", 5)
    acs_upstream_forwarding = flag("ACS Upstream Forwarding{}", 4)
    acs_p2p_completion_redirect = flag("ACS P2P Completion Redirect{}", 3)
    acs_p2p_request_redirect = flag("ACS P2P Request Redirect{}", 2)
    acs_translation_blocking = flag("ACS Translation Blocking{}", 1)
    acs_source_validation = flag("ACS Source Validation{}", 0)


class AcsCapability(_AcsKinds, Register, access=RO, name="ACS Capability", offset=0x04, size=2, section="7.7.11.2"):
    egress_control_vector_size = number("Egress Control Vector Size", 15, 8, RO)
    acs_enhanced_capability = flag("ACS Enhanced Capability", 7, RO)


class AcsControl(
    _AcsKinds,
    Register,
    fill=" Enable",
    name="ACS Control",
    offset=0x06,
    size=2,
    section="7.7.11.3",
    reserved=((15, 13),),
):
    acs_unclaimed_request_redirect_control = flag("ACS Unclaimed Request Redirect Control", 12)
    acs_usp_memory_target_access_control = number("ACS USP Memory Target Access Control", 11, 10, RW)
    acs_dsp_memory_target_access_control = number("ACS DSP Memory Target Access Control", 9, 8, RW)
    acs_io_request_blocking_enable = flag("ACS I/O Request Blocking Enable", 7)


ACCESS_CONTROL_SERVICES = Structure(
    "Access Control Services", 0x000D, extended=True, registers=(AcsCapability, AcsControl)
)


class AriCapability(Register, name="ARI Capability", offset=0x04, size=2, section="7.8.8.2", reserved=((7, 2),)):
    next_function_number = number("Next Function Number", 15, 8, RO)
    acs_functional_groups_capability = flag("ACS Functional Groups Capability", 1, RO)
    mfvc_functional_groups_capability = flag("MFVC Functional Groups Capability", 0, RO)


class AriControl(Register, name="ARI Control", offset=0x06, size=2, section="7.8.8.3", reserved=((15, 7), (3, 2))):
    function_group = number("Function Group", 6, 4, RW)
    acs_functional_groups_enable = flag("ACS Functional Groups Enable", 1)
    mfvc_functional_groups_enable = flag("MFVC Functional Groups Enable", 0)


ALTERNATIVE_ROUTING_ID = Structure(
    "Alternative Routing-ID Interpretation", 0x000E, extended=True, registers=(AriCapability, AriControl)
)


class SrIovCapabilities(
    Register, name="SR-IOV Capabilities", offset=0x04, size=4, section="9.3.3.2", reserved=((20, 3),)
):
    vf_migration_interrupt_message_number = number("VF Migration Interrupt Message Number", 31, 21, RO)
    vf_ten_bit_tag_requester_supported = flag("VF 10-Bit Tag Requester Supported", 2, HWINIT)
    ari_capable_hierarchy_preserved = flag("ARI Capable Hierarchy Preserved", 1, RO)
    vf_migration_capable = flag("VF Migration Capable", 0, RO)


class SrIovControl(Register, name="SR-IOV Control", offset=0x08, size=2, section="9.3.3.3", reserved=((15, 6),)):
    vf_ten_bit_tag_requester_enable = flag("VF 10-Bit Tag Requester Enable", 5)
    ari_capable_hierarchy = flag("ARI Capable Hierarchy", 4)
    vf_mse = flag("VF MSE", 3)
    vf_migration_interrupt_enable = flag("VF Migration Interrupt Enable", 2)
    vf_migration_enable = flag("VF Migration Enable", 1)
    vf_enable = flag("VF Enable", 0)


class SrIovStatus(Register, name="SR-IOV Status", offset=0x0A, size=2, section="9.3.3.4", reserved=((15, 1),)):
    vf_migration_status = flag("VF Migration Status", 0, RW1C)


class InitialVfs(Register, name="InitialVFs", offset=0x0C, size=2, section="9.3.3"):
    initial_vfs = number("InitialVFs", 15, 0, RO)


class TotalVfs(Register, name="TotalVFs", offset=0x0E, size=2, section="9.3.3"):
    total_vfs = number("TotalVFs", 15, 0, RO)


class NumVfs(Register, name="NumVFs", offset=0x10, size=2, section="9.3.3"):
    num_vfs = number("NumVFs", 15, 0, RO)


class FunctionDependencyLink(Register, name="Function Dependency Link", offset=0x12, size=1, section="9.3.3.8"):
    function_dependency_link = number("Function Dependency Link", 7, 0, RO)


class FirstVfOffset(Register, name="First VF Offset", offset=0x14, size=2, section="9.3.3"):
    first_vf_offset = number("First VF Offset", 15, 0, RO)


class VfStride(Register, name="VF Stride", offset=0x16, size=2, section="9.3.3"):
    vf_stride = number("VF Stride", 15, 0, RO)


SINGLE_ROOT_IO_VIRTUALIZATION = Structure("Single Root I/O Virtualization", 0x0010, extended=True, registers=(
    SrIovCapabilities, SrIovControl, SrIovStatus, InitialVfs, TotalVfs, NumVfs, FunctionDependencyLink, FirstVfOffset,
    VfStride,
))  # fmt: skip

_WIDTHS = {0: 1, 1: 2, 2: 4, 3: 8, 4: 16}
_INITIAL_WIDTH: Meaning[int] = Meaning(_WIDTHS.get, " lanes", one=" lane")
_TARGET_WIDTH = names({
    **{code: counted(lanes, "lane") for code, lanes in _WIDTHS.items()}, 7: "as the hardware chooses",
})  # fmt: skip
_SCALE = names({0: "x 2 us", 1: "x 10 us", 2: "x 100 us"})


class L1SubstatesCapabilities(
    Register,
    name="L1 PM Substates Capabilities",
    offset=0x04,
    size=4,
    section="7.8.3.2",
    reserved=((31, 24), (18, 18), (7, 6)),
):
    port_t_power_on_value = number("Port T_POWER_ON Value", 23, 19, HWINIT)
    port_t_power_on_scale = coded("Port T_POWER_ON Scale", 17, 16, HWINIT, _SCALE)
    port_common_mode_restore_time = number("Port Common_Mode_Restore_Time", 15, 8, HWINIT)
    link_activation_supported = flag("Link Activation Supported", 5, HWINIT)
    l1_pm_substates_supported = flag("L1 PM Substates Supported", 4, HWINIT)
    aspm_l1_1_supported = flag("ASPM L1.1 Supported", 3, HWINIT)
    aspm_l1_2_supported = flag("ASPM L1.2 Supported", 2, HWINIT)
    pci_pm_l1_1_supported = flag("PCI-PM L1.1 Supported", 1, HWINIT)
    pci_pm_l1_2_supported = flag("PCI-PM L1.2 Supported", 0, HWINIT)


class L1SubstatesControl1(
    Register, name="L1 PM Substates Control 1", offset=0x08, size=4, section="7.8.3.3", reserved=((28, 26), (7, 6))
):
    ltr_l1_2_threshold_scale = number("LTR_L1.2_THRESHOLD_Scale", 31, 29, RW)
    ltr_l1_2_threshold_value = number("LTR_L1.2_THRESHOLD_Value", 25, 16, RW)
    common_mode_restore_time = number("Common_Mode_Restore_Time", 15, 8, RW)
    link_activation_control = flag("Link Activation Control", 5)
    link_activation_interrupt_enable = flag("Link Activation Interrupt Enable", 4)
    aspm_l1_1_enable = flag("ASPM L1.1 Enable", 3)
    aspm_l1_2_enable = flag("ASPM L1.2 Enable", 2)
    pci_pm_l1_1_enable = flag("PCI-PM L1.1 Enable", 1)
    pci_pm_l1_2_enable = flag("PCI-PM L1.2 Enable", 0)


class L1SubstatesControl2(
    Register, name="L1 PM Substates Control 2", offset=0x0C, size=4, section="7.8.3.4", reserved=((31, 8), (2, 2))
):
    t_power_on_value = number("T_POWER_ON Value", 7, 3, RW)
    t_power_on_scale = coded("T_POWER_ON Scale", 1, 0, RW, _SCALE)


L1_SUBSTATES = Structure(
    "L1 PM Substates", 0x001E, extended=True,
    registers=(L1SubstatesCapabilities, L1SubstatesControl1, L1SubstatesControl2),
)  # fmt: skip


class VendorSpecificHeader(Register, name="Vendor-Specific Header", offset=0x04, size=4, section="7.9.5.2"):
    vsec_length = hexadecimal("VSEC Length", 31, 20, RO)
    vsec_rev = number("VSEC Rev", 19, 16, RO)
    vsec_id = hexadecimal("VSEC ID", 15, 0, RO)


VENDOR_SPECIFIC = Structure("Vendor-Specific Extended", 0x000B, extended=True, registers=(VendorSpecificHeader,))


class DeviceCapabilities3(
    Register, name="Device Capabilities 3", offset=0x04, size=4, section="7.7.9.2", reserved=((31, 10),)
):
    retimer_l0p_exit_latency = number("Retimer L0p Exit Latency", 9, 7, HWINIT)
    port_l0p_exit_latency = number("Port L0p Exit Latency", 6, 4, HWINIT)
    l0p_supported = flag("L0p Supported", 3, HWINIT)
    fourteen_bit_tag_requester_supported = flag("14-Bit Tag Requester Supported", 2, HWINIT)
    fourteen_bit_tag_completer_supported = flag("14-Bit Tag Completer Supported", 1, HWINIT)
    dmwr_request_routing_supported = flag("DMWr Request Routing Supported", 0, HWINIT)


class DeviceControl3(Register, name="Device Control 3", offset=0x08, size=4, section="7.7.9.3", reserved=((31, 7),)):
    target_link_width = coded("Target Link Width", 6, 4, RW, _TARGET_WIDTH)
    l0p_enable = flag("L0p Enable", 3)
    fourteen_bit_tag_requester_enable = flag("14-Bit Tag Requester Enable", 2)
    dmwr_egress_blocking = flag("DMWr Egress Blocking", 1)
    dmwr_requester_enable = flag("DMWr Requester Enable", 0)


class DeviceStatus3(Register, name="Device Status 3", offset=0x0C, size=4, section="7.7.9.4", reserved=((31, 5),)):
    remote_l0p_supported = flag("Remote L0p Supported", 4, RO)
    segment_captured = flag("Segment Captured", 3, RW1C)
    initial_link_width = coded("Initial Link Width", 2, 0, RO, _INITIAL_WIDTH)


DEVICE_3 = Structure("Device 3", 0x002F, extended=True, registers=(DeviceCapabilities3, DeviceControl3, DeviceStatus3))
"""Offsets and Segment Captured: kernel `pci_regs.h` 6.18, PCI_DEV3_*; the other bits from memory of Base 6.x, 7.7.9."""
