"""Registers of single capabilities against the kernel's header: where they stand, and each field's bits."""

from collections.abc import Mapping
from typing import Any

import pytest

from probe.registers.containment import DpcCapability, DpcControl, DpcStatus
from probe.registers.device import DeviceCapabilities2, DeviceControl, DeviceControl2, RootCapabilities
from probe.registers.function import (
    AcsCapability,
    AcsControl,
    AriCapability,
    AriControl,
    FirstVfOffset,
    FunctionDependencyLink,
    InitialVfs,
    L1SubstatesCapabilities,
    L1SubstatesControl1,
    L1SubstatesControl2,
    NumVfs,
    PowerManagementCapabilities,
    SrIovCapabilities,
    SrIovControl,
    SrIovStatus,
    TotalVfs,
    VendorSpecificHeader,
    VfStride,
)
from probe.registers.header import BridgeControl, ClassCode, Command, HeaderType, RevisionId, Status
from probe.registers.physical import DataLinkFeatureCapabilities, LanePresets16
from probe.registers.slot import SlotControl, SlotStatus
from probe.registers.table_language import Field, Register

pytestmark = pytest.mark.published("include/uapi/linux/pci_regs.h, as installed by linux-libc-dev")

OFFSETS: dict[str, type[Register]] = {
    "PCI_SRIOV_CAP": SrIovCapabilities, "PCI_SRIOV_CTRL": SrIovControl, "PCI_SRIOV_STATUS": SrIovStatus,
    "PCI_SRIOV_INITIAL_VF": InitialVfs, "PCI_SRIOV_TOTAL_VF": TotalVfs, "PCI_SRIOV_NUM_VF": NumVfs,
    "PCI_SRIOV_FUNC_LINK": FunctionDependencyLink, "PCI_SRIOV_VF_OFFSET": FirstVfOffset,
    "PCI_SRIOV_VF_STRIDE": VfStride, "PCI_L1SS_CAP": L1SubstatesCapabilities, "PCI_L1SS_CTL1": L1SubstatesControl1,
    "PCI_L1SS_CTL2": L1SubstatesControl2, "PCI_DLF_CAP": DataLinkFeatureCapabilities,
    "PCI_PL_16GT_LE_CTRL": LanePresets16, "PCI_VNDR_HEADER": VendorSpecificHeader, "PCI_REVISION_ID": RevisionId,
    "PCI_CLASS_PROG": ClassCode,
}  # fmt: skip

MASKS: dict[str, Field[Any]] = {
    "PCI_COMMAND_IO": Command.io_space_enable,
    "PCI_COMMAND_SPECIAL": Command.special_cycle_enable,
    "PCI_COMMAND_INVALIDATE": Command.memory_write_and_invalidate,
    "PCI_COMMAND_VGA_PALETTE": Command.vga_palette_snoop,
    "PCI_COMMAND_PARITY": Command.parity_error_response,
    "PCI_COMMAND_WAIT": Command.idsel_stepping,
    "PCI_COMMAND_FAST_BACK": Command.fast_back_to_back_transactions_enable,
    "PCI_STATUS_IMM_READY": Status.immediate_readiness,
    "PCI_STATUS_INTERRUPT": Status.interrupt_status,
    "PCI_STATUS_66MHZ": Status.capable_of_66_mhz,
    "PCI_STATUS_FAST_BACK": Status.fast_back_to_back_transactions_capable,
    "PCI_STATUS_PARITY": Status.master_data_parity_error,
    "PCI_STATUS_DEVSEL_MASK": Status.devsel_timing,
    "PCI_STATUS_SIG_TARGET_ABORT": Status.signaled_target_abort,
    "PCI_STATUS_REC_TARGET_ABORT": Status.received_target_abort,
    "PCI_STATUS_SIG_SYSTEM_ERROR": Status.signaled_system_error,
    "PCI_HEADER_TYPE_MASK": HeaderType.header_layout,
    "PCI_BRIDGE_CTL_ISA": BridgeControl.isa_enable,
    "PCI_BRIDGE_CTL_MASTER_ABORT": BridgeControl.master_abort_mode,
    "PCI_BRIDGE_CTL_FAST_BACK": BridgeControl.fast_back_to_back_transactions_enable,
    "PCI_PM_CAP_PME_CLOCK": PowerManagementCapabilities.pme_clock,
    "PCI_PM_CAP_DSI": PowerManagementCapabilities.device_specific_initialization,
    "PCI_PM_CAP_AUX_POWER": PowerManagementCapabilities.aux_current,
    "PCI_EXP_DEVCTL_BCR_FLR": DeviceControl.retry_enable_or_function_level_reset,
    "PCI_EXP_SLTCTL_MRLSCE": SlotControl.mrl_sensor_changed_enable,
    "PCI_EXP_SLTCTL_CCIE": SlotControl.command_completed_interrupt_enable,
    "PCI_EXP_SLTCTL_HPIE": SlotControl.hot_plug_interrupt_enable,
    "PCI_EXP_SLTCTL_EIC": SlotControl.electromechanical_interlock_control,
    "PCI_EXP_SLTSTA_ABP": SlotStatus.attention_button_pressed,
    "PCI_EXP_SLTSTA_MRLSC": SlotStatus.mrl_sensor_changed,
    "PCI_EXP_SLTSTA_PDC": SlotStatus.presence_detect_changed,
    "PCI_EXP_SLTSTA_CC": SlotStatus.command_completed,
    "PCI_EXP_RTCAP_CRSVIS": RootCapabilities.crs_software_visibility,
    "PCI_EXP_DEVCAP2_ATOMIC_COMP32": DeviceCapabilities2.atomic_op_completer_supported_32_bit,
    "PCI_EXP_DEVCAP2_ATOMIC_COMP64": DeviceCapabilities2.atomic_op_completer_supported_64_bit,
    "PCI_EXP_DEVCAP2_ATOMIC_COMP128": DeviceCapabilities2.cas_completer_supported_128_bit,
    "PCI_EXP_DEVCTL2_ATOMIC_EGRESS_BLOCK": DeviceControl2.atomic_op_egress_blocking,
    "PCI_EXP_DEVCTL2_IDO_REQ_EN": DeviceControl2.ido_request_enable,
    "PCI_EXP_DEVCTL2_IDO_CMP_EN": DeviceControl2.ido_completion_enable,
    "PCI_ARI_CAP_MFVC": AriCapability.mfvc_functional_groups_capability,
    "PCI_ARI_CAP_ACS": AriCapability.acs_functional_groups_capability,
    "PCI_ARI_CTRL_MFVC": AriControl.mfvc_functional_groups_enable,
    "PCI_ARI_CTRL_ACS": AriControl.acs_functional_groups_enable,
    "PCI_ACS_SV": AcsControl.acs_source_validation,
    "PCI_ACS_TB": AcsControl.acs_translation_blocking,
    "PCI_ACS_RR": AcsControl.acs_p2p_request_redirect,
    "PCI_ACS_CR": AcsControl.acs_p2p_completion_redirect,
    "PCI_ACS_UF": AcsControl.acs_upstream_forwarding,
    "PCI_ACS_EC": AcsControl.acs_p2p_egress_control,
    "PCI_ACS_DT": AcsControl.acs_translated_p2p,
    "PCI_SRIOV_CAP_VFM": SrIovCapabilities.vf_migration_capable,
    "PCI_SRIOV_CTRL_VFE": SrIovControl.vf_enable,
    "PCI_SRIOV_CTRL_VFM": SrIovControl.vf_migration_enable,
    "PCI_SRIOV_CTRL_INTR": SrIovControl.vf_migration_interrupt_enable,
    "PCI_SRIOV_CTRL_MSE": SrIovControl.vf_mse,
    "PCI_SRIOV_CTRL_ARI": SrIovControl.ari_capable_hierarchy,
    "PCI_SRIOV_STATUS_VFM": SrIovStatus.vf_migration_status,
    "PCI_EXP_DPC_RP_PIO_LOG_SIZE": DpcCapability.rp_pio_log_size,
    "PCI_EXP_DPC_RP_PIO_FEP": DpcStatus.rp_pio_first_error_pointer,
    "PCI_L1SS_CAP_PCIPM_L1_1": L1SubstatesCapabilities.pci_pm_l1_1_supported,
    "PCI_L1SS_CAP_ASPM_L1_2": L1SubstatesCapabilities.aspm_l1_2_supported,
    "PCI_L1SS_CAP_L1_PM_SS": L1SubstatesCapabilities.l1_pm_substates_supported,
    "PCI_L1SS_CTL1_PCIPM_L1_2": L1SubstatesControl1.pci_pm_l1_2_enable,
    "PCI_L1SS_CTL1_PCIPM_L1_1": L1SubstatesControl1.pci_pm_l1_1_enable,
    "PCI_L1SS_CTL1_ASPM_L1_2": L1SubstatesControl1.aspm_l1_2_enable,
    "PCI_L1SS_CTL1_ASPM_L1_1": L1SubstatesControl1.aspm_l1_1_enable,
    "PCI_L1SS_CTL1_CM_RESTORE_TIME": L1SubstatesControl1.common_mode_restore_time,
    "PCI_PL_16GT_LE_CTRL_DSP_TX_PRESET_MASK": LanePresets16.downstream_port_transmitter_preset,
    "PCI_PL_16GT_LE_CTRL_USP_TX_PRESET_MASK": LanePresets16.upstream_port_transmitter_preset,
}  # fmt: skip

# Macros of several bits in place, or with an argument, as the header of Linux 6.1 writes them out.
WRITTEN_OUT: dict[Field[Any], int] = {
    VendorSpecificHeader.vsec_id: 0xFFFF,  # PCI_VNDR_HEADER_ID(x) (x) & 0xffff
    VendorSpecificHeader.vsec_rev: 0xF << 16,  # PCI_VNDR_HEADER_REV(x) ((x) >> 16) & 0xf
    VendorSpecificHeader.vsec_length: 0xFFF << 20,  # PCI_VNDR_HEADER_LEN(x) ((x) >> 20) & 0xfff
    AriCapability.next_function_number: 0xFF << 8,  # PCI_ARI_CAP_NFN(x) ((x) >> 8) & 0xff
    AriControl.function_group: 7 << 4,  # PCI_ARI_CTRL_FG(x) ((x) >> 4) & 7
    SrIovCapabilities.vf_migration_interrupt_message_number: 0x7FF << 21,  # PCI_SRIOV_CAP_INTR(x) (x) >> 21
    AcsCapability.egress_control_vector_size: 0xFF << 8,  # PCI_ACS_EGRESS_BITS 5: the second byte of the register
    DpcControl.dpc_trigger_enable: 0x3,  # PCI_EXP_DPC_CTL_EN_MASK, of PCI_EXP_DPC_CTL_EN_FATAL and _NONFATAL
}


@pytest.mark.parametrize("macro", OFFSETS)
def test_offsets(macro: str, header: Mapping[str, int]) -> None:
    assert header[macro] == OFFSETS[macro].offset


@pytest.mark.parametrize("macro", MASKS)
def test_masks(macro: str, header: Mapping[str, int]) -> None:
    assert header[macro] == MASKS[macro].mask


@pytest.mark.parametrize("field", WRITTEN_OUT, ids=lambda field: field.name)
def test_masks_that_the_header_writes_out(field: Field[Any]) -> None:
    assert field.mask == WRITTEN_OUT[field]
