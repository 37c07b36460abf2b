"""Our tables against the kernel's header, parsed: offsets, masks, capability ids."""

from collections.abc import Mapping
from typing import Any

import pytest

from probe.registers import device, errors, express, function, physical
from probe.registers.catalogue import _OTHER_NAMES, STRUCTURES
from probe.registers.containment import (
    DOWNSTREAM_PORT_CONTAINMENT,
    DpcCapability,
    DpcControl,
    DpcErrorSourceId,
    DpcStatus,
)
from probe.registers.device import (
    DeviceCapabilities,
    DeviceCapabilities2,
    DeviceControl,
    DeviceControl2,
    DeviceStatus,
    DeviceStatus2,
    ExpressCapabilities,
    RootCapabilities,
    RootControl,
    RootStatus,
)
from probe.registers.errors import (
    AdvancedErrorControl,
    CorrectableErrorMask,
    CorrectableErrorStatus,
    ErrorSourceIdentification,
    HeaderLog,
    RootErrorCommand,
    RootErrorStatus,
    UncorrectableErrorMask,
    UncorrectableErrorSeverity,
    UncorrectableErrorStatus,
    errors_in,
)
from probe.registers.function import (
    AcsCapability,
    AcsControl,
    AriCapability,
    AriControl,
    L1SubstatesCapabilities,
    L1SubstatesControl1,
    PowerManagementCapabilities,
    PowerManagementControlStatus,
)
from probe.registers.header import (
    BridgeControl,
    CapabilitiesPointer,
    Command,
    DeviceId,
    HeaderType,
    PrimaryBusNumber,
    SecondaryBusNumber,
    Status,
    SubordinateBusNumber,
    SubsystemId,
    SubsystemVendorId,
    VendorId,
)
from probe.registers.link import LinkCapabilities, LinkCapabilities2, LinkControl, LinkControl2, LinkStatus, LinkStatus2
from probe.registers.physical import DataLinkFeatureCapabilities
from probe.registers.slot import SlotCapabilities, SlotCapabilities2, SlotControl, SlotControl2, SlotStatus, SlotStatus2
from probe.registers.table_language import Field, Register, Structure
from probe.registers.values import SPEED_GTS

pytestmark = pytest.mark.published("include/uapi/linux/pci_regs.h, as installed by linux-libc-dev")

OFFSETS: dict[str, tuple[type[Register], int]] = {
    "PCI_EXP_FLAGS": (ExpressCapabilities, 0), "PCI_EXP_DEVCAP": (DeviceCapabilities, 0),
    "PCI_EXP_DEVCTL": (DeviceControl, 0), "PCI_EXP_DEVSTA": (DeviceStatus, 0),
    "PCI_EXP_LNKCAP": (LinkCapabilities, 0), "PCI_EXP_LNKCTL": (LinkControl, 0),
    "PCI_EXP_LNKSTA": (LinkStatus, 0), "PCI_EXP_SLTCAP": (SlotCapabilities, 0),
    "PCI_EXP_SLTCTL": (SlotControl, 0), "PCI_EXP_SLTSTA": (SlotStatus, 0),
    "PCI_EXP_RTCTL": (RootControl, 0), "PCI_EXP_RTCAP": (RootCapabilities, 0),
    "PCI_EXP_RTSTA": (RootStatus, 0), "PCI_EXP_DEVCAP2": (DeviceCapabilities2, 0),
    "PCI_EXP_DEVCTL2": (DeviceControl2, 0), "PCI_EXP_DEVSTA2": (DeviceStatus2, 0),
    "PCI_EXP_LNKCAP2": (LinkCapabilities2, 0), "PCI_EXP_LNKCTL2": (LinkControl2, 0),
    "PCI_EXP_LNKSTA2": (LinkStatus2, 0), "PCI_EXP_SLTCAP2": (SlotCapabilities2, 0),
    "PCI_EXP_SLTCTL2": (SlotControl2, 0), "PCI_EXP_SLTSTA2": (SlotStatus2, 0),
    "PCI_ERR_UNCOR_STATUS": (UncorrectableErrorStatus, 0), "PCI_ERR_UNCOR_MASK": (UncorrectableErrorMask, 0),
    "PCI_ERR_UNCOR_SEVER": (UncorrectableErrorSeverity, 0), "PCI_ERR_COR_STATUS": (CorrectableErrorStatus, 0),
    "PCI_ERR_COR_MASK": (CorrectableErrorMask, 0), "PCI_ERR_CAP": (AdvancedErrorControl, 0),
    "PCI_ERR_HEADER_LOG": (HeaderLog, 0), "PCI_ERR_ROOT_COMMAND": (RootErrorCommand, 0),
    "PCI_ERR_ROOT_STATUS": (RootErrorStatus, 0), "PCI_ERR_ROOT_ERR_SRC": (ErrorSourceIdentification, 0),
    "PCI_EXP_DPC_CAP": (DpcCapability, 0), "PCI_EXP_DPC_CTL": (DpcControl, 0),
    "PCI_EXP_DPC_STATUS": (DpcStatus, 0), "PCI_EXP_DPC_SOURCE_ID": (DpcErrorSourceId, 0),
    "PCI_PM_PMC": (PowerManagementCapabilities, 0), "PCI_PM_CTRL": (PowerManagementControlStatus, 0),
    "PCI_ACS_CAP": (AcsCapability, 0), "PCI_ACS_CTRL": (AcsControl, 0),
    "PCI_ARI_CAP": (AriCapability, 0), "PCI_ARI_CTRL": (AriControl, 0),
    "PCI_VENDOR_ID": (VendorId, 0), "PCI_DEVICE_ID": (DeviceId, 0),
    "PCI_COMMAND": (Command, 0), "PCI_STATUS": (Status, 0),
    "PCI_HEADER_TYPE": (HeaderType, 0), "PCI_SECONDARY_BUS": (SecondaryBusNumber, 0),
    "PCI_SUBORDINATE_BUS": (SubordinateBusNumber, 0), "PCI_PRIMARY_BUS": (PrimaryBusNumber, 0),
    "PCI_BRIDGE_CONTROL": (BridgeControl, 0),
    "PCI_CAPABILITY_LIST": (CapabilitiesPointer, 0),
    "PCI_SUBSYSTEM_VENDOR_ID": (SubsystemVendorId, 0), "PCI_SUBSYSTEM_ID": (SubsystemId, 0),
}  # fmt: skip

MASKS: dict[str, Field[Any]] = {
    "PCI_EXP_FLAGS_VERS": ExpressCapabilities.capability_version,
    "PCI_EXP_FLAGS_TYPE": ExpressCapabilities.device_port_type,
    "PCI_EXP_FLAGS_SLOT": ExpressCapabilities.slot_implemented,
    "PCI_EXP_FLAGS_IRQ": ExpressCapabilities.interrupt_message_number,
    "PCI_EXP_DEVCAP_PAYLOAD": DeviceCapabilities.max_payload_size_supported,
    "PCI_EXP_DEVCAP_PHANTOM": DeviceCapabilities.phantom_functions_supported,
    "PCI_EXP_DEVCAP_EXT_TAG": DeviceCapabilities.extended_tag_field_supported,
    "PCI_EXP_DEVCAP_L0S": DeviceCapabilities.endpoint_l0s_acceptable_latency,
    "PCI_EXP_DEVCAP_L1": DeviceCapabilities.endpoint_l1_acceptable_latency,
    "PCI_EXP_DEVCAP_RBER": DeviceCapabilities.role_based_error_reporting,
    "PCI_EXP_DEVCAP_PWR_VAL": DeviceCapabilities.captured_slot_power_limit_value,
    "PCI_EXP_DEVCAP_PWR_SCL": DeviceCapabilities.captured_slot_power_limit_scale,
    "PCI_EXP_DEVCAP_FLR": DeviceCapabilities.function_level_reset_capability,
    "PCI_EXP_DEVCTL_CERE": DeviceControl.correctable_error_reporting_enable,
    "PCI_EXP_DEVCTL_NFERE": DeviceControl.non_fatal_error_reporting_enable,
    "PCI_EXP_DEVCTL_FERE": DeviceControl.fatal_error_reporting_enable,
    "PCI_EXP_DEVCTL_URRE": DeviceControl.unsupported_request_reporting_enable,
    "PCI_EXP_DEVCTL_RELAX_EN": DeviceControl.enable_relaxed_ordering,
    "PCI_EXP_DEVCTL_PAYLOAD": DeviceControl.max_payload_size,
    "PCI_EXP_DEVCTL_EXT_TAG": DeviceControl.extended_tag_field_enable,
    "PCI_EXP_DEVCTL_PHANTOM": DeviceControl.phantom_functions_enable,
    "PCI_EXP_DEVCTL_AUX_PME": DeviceControl.aux_power_pm_enable,
    "PCI_EXP_DEVCTL_NOSNOOP_EN": DeviceControl.enable_no_snoop,
    "PCI_EXP_DEVCTL_READRQ": DeviceControl.max_read_request_size,
    "PCI_EXP_DEVSTA_CED": DeviceStatus.correctable_error_detected,
    "PCI_EXP_DEVSTA_NFED": DeviceStatus.non_fatal_error_detected,
    "PCI_EXP_DEVSTA_FED": DeviceStatus.fatal_error_detected,
    "PCI_EXP_DEVSTA_URD": DeviceStatus.unsupported_request_detected,
    "PCI_EXP_DEVSTA_AUXPD": DeviceStatus.aux_power_detected,
    "PCI_EXP_DEVSTA_TRPND": DeviceStatus.transactions_pending,
    "PCI_EXP_LNKCAP_SLS": LinkCapabilities.max_link_speed,
    "PCI_EXP_LNKCAP_MLW": LinkCapabilities.maximum_link_width,
    "PCI_EXP_LNKCAP_ASPMS": LinkCapabilities.aspm_support,
    "PCI_EXP_LNKCAP_L0SEL": LinkCapabilities.l0s_exit_latency,
    "PCI_EXP_LNKCAP_L1EL": LinkCapabilities.l1_exit_latency,
    "PCI_EXP_LNKCAP_CLKPM": LinkCapabilities.clock_power_management,
    "PCI_EXP_LNKCAP_SDERC": LinkCapabilities.surprise_down_error_reporting_capable,
    "PCI_EXP_LNKCAP_DLLLARC": LinkCapabilities.data_link_layer_link_active_reporting_capable,
    "PCI_EXP_LNKCAP_LBNC": LinkCapabilities.link_bandwidth_notification_capability,
    "PCI_EXP_LNKCAP_PN": LinkCapabilities.port_number,
    "PCI_EXP_LNKCTL_ASPMC": LinkControl.aspm_control,
    "PCI_EXP_LNKCTL_RCB": LinkControl.read_completion_boundary,
    "PCI_EXP_LNKCTL_LD": LinkControl.link_disable,
    "PCI_EXP_LNKCTL_RL": LinkControl.retrain_link,
    "PCI_EXP_LNKCTL_CCC": LinkControl.common_clock_configuration,
    "PCI_EXP_LNKCTL_ES": LinkControl.extended_synch,
    "PCI_EXP_LNKCTL_CLKREQ_EN": LinkControl.enable_clock_power_management,
    "PCI_EXP_LNKCTL_HAWD": LinkControl.hardware_autonomous_width_disable,
    "PCI_EXP_LNKCTL_LBMIE": LinkControl.link_bandwidth_management_interrupt_enable,
    "PCI_EXP_LNKCTL_LABIE": LinkControl.link_autonomous_bandwidth_interrupt_enable,
    "PCI_EXP_LNKSTA_CLS": LinkStatus.current_link_speed,
    "PCI_EXP_LNKSTA_NLW": LinkStatus.negotiated_link_width,
    "PCI_EXP_LNKSTA_LT": LinkStatus.link_training,
    "PCI_EXP_LNKSTA_SLC": LinkStatus.slot_clock_configuration,
    "PCI_EXP_LNKSTA_DLLLA": LinkStatus.data_link_layer_link_active,
    "PCI_EXP_LNKSTA_LBMS": LinkStatus.link_bandwidth_management_status,
    "PCI_EXP_LNKSTA_LABS": LinkStatus.link_autonomous_bandwidth_status,
    "PCI_EXP_SLTCAP_ABP": SlotCapabilities.attention_button_present,
    "PCI_EXP_SLTCAP_PCP": SlotCapabilities.power_controller_present,
    "PCI_EXP_SLTCAP_MRLSP": SlotCapabilities.mrl_sensor_present,
    "PCI_EXP_SLTCAP_AIP": SlotCapabilities.attention_indicator_present,
    "PCI_EXP_SLTCAP_PIP": SlotCapabilities.power_indicator_present,
    "PCI_EXP_SLTCAP_HPS": SlotCapabilities.hot_plug_surprise,
    "PCI_EXP_SLTCAP_HPC": SlotCapabilities.hot_plug_capable,
    "PCI_EXP_SLTCAP_SPLV": SlotCapabilities.slot_power_limit_value,
    "PCI_EXP_SLTCAP_SPLS": SlotCapabilities.slot_power_limit_scale,
    "PCI_EXP_SLTCAP_EIP": SlotCapabilities.electromechanical_interlock_present,
    "PCI_EXP_SLTCAP_NCCS": SlotCapabilities.no_command_completed_support,
    "PCI_EXP_SLTCAP_PSN": SlotCapabilities.physical_slot_number,
    "PCI_EXP_SLTCTL_ABPE": SlotControl.attention_button_pressed_enable,
    "PCI_EXP_SLTCTL_PFDE": SlotControl.power_fault_detected_enable,
    "PCI_EXP_SLTCTL_PDCE": SlotControl.presence_detect_changed_enable,
    "PCI_EXP_SLTCTL_PIC": SlotControl.power_indicator_control,
    "PCI_EXP_SLTCTL_AIC": SlotControl.attention_indicator_control,
    "PCI_EXP_SLTCTL_PCC": SlotControl.power_controller_control,
    "PCI_EXP_SLTCTL_DLLSCE": SlotControl.data_link_layer_state_changed_enable,
    "PCI_EXP_SLTCTL_ASPL_DISABLE": SlotControl.auto_slot_power_limit_disable,
    "PCI_EXP_SLTSTA_PFD": SlotStatus.power_fault_detected,
    "PCI_EXP_SLTSTA_MRLSS": SlotStatus.mrl_sensor_state,
    "PCI_EXP_SLTSTA_PDS": SlotStatus.presence_detect_state,
    "PCI_EXP_SLTSTA_EIS": SlotStatus.electromechanical_interlock_status,
    "PCI_EXP_SLTSTA_DLLSC": SlotStatus.data_link_layer_state_changed,
    "PCI_EXP_RTCTL_SECEE": RootControl.system_error_on_correctable_error_enable,
    "PCI_EXP_RTCTL_SENFEE": RootControl.system_error_on_non_fatal_error_enable,
    "PCI_EXP_RTCTL_SEFEE": RootControl.system_error_on_fatal_error_enable,
    "PCI_EXP_RTCTL_PMEIE": RootControl.pme_interrupt_enable,
    "PCI_EXP_RTCTL_CRSSVE": RootControl.crs_software_visibility_enable,
    "PCI_EXP_RTSTA_PME": RootStatus.pme_status,
    "PCI_EXP_RTSTA_PENDING": RootStatus.pme_pending,
    "PCI_EXP_DEVCAP2_COMP_TMOUT_DIS": DeviceCapabilities2.completion_timeout_disable_supported,
    "PCI_EXP_DEVCAP2_ARI": DeviceCapabilities2.ari_forwarding_supported,
    "PCI_EXP_DEVCAP2_ATOMIC_ROUTE": DeviceCapabilities2.atomic_op_routing_supported,
    "PCI_EXP_DEVCAP2_LTR": DeviceCapabilities2.ltr_mechanism_supported,
    "PCI_EXP_DEVCAP2_OBFF_MASK": DeviceCapabilities2.obff_supported,
    "PCI_EXP_DEVCAP2_EE_PREFIX": DeviceCapabilities2.end_end_tlp_prefix_supported,
    "PCI_EXP_DEVCTL2_COMP_TIMEOUT": DeviceControl2.completion_timeout_value,
    "PCI_EXP_DEVCTL2_COMP_TMOUT_DIS": DeviceControl2.completion_timeout_disable,
    "PCI_EXP_DEVCTL2_ARI": DeviceControl2.ari_forwarding_enable,
    "PCI_EXP_DEVCTL2_ATOMIC_REQ": DeviceControl2.atomic_op_requester_enable,
    "PCI_EXP_DEVCTL2_LTR_EN": DeviceControl2.ltr_mechanism_enable,
    "PCI_EXP_LNKCAP2_CROSSLINK": LinkCapabilities2.crosslink_supported,
    "PCI_EXP_LNKCTL2_TLS": LinkControl2.target_link_speed,
    "PCI_EXP_LNKCTL2_ENTER_COMP": LinkControl2.enter_compliance,
    "PCI_EXP_LNKCTL2_TX_MARGIN": LinkControl2.transmit_margin,
    "PCI_EXP_LNKCTL2_HASD": LinkControl2.hardware_autonomous_speed_disable,
    "PCI_EXP_SLTCAP2_IBPD": SlotCapabilities2.in_band_pd_disable_supported,
    "PCI_ERR_CAP_ECRC_GENC": AdvancedErrorControl.ecrc_generation_capable,
    "PCI_ERR_CAP_ECRC_GENE": AdvancedErrorControl.ecrc_generation_enable,
    "PCI_ERR_CAP_ECRC_CHKC": AdvancedErrorControl.ecrc_check_capable,
    "PCI_ERR_CAP_ECRC_CHKE": AdvancedErrorControl.ecrc_check_enable,
    "PCI_ERR_ROOT_CMD_COR_EN": RootErrorCommand.correctable_error_reporting_enable,
    "PCI_ERR_ROOT_CMD_NONFATAL_EN": RootErrorCommand.non_fatal_error_reporting_enable,
    "PCI_ERR_ROOT_CMD_FATAL_EN": RootErrorCommand.fatal_error_reporting_enable,
    "PCI_ERR_ROOT_COR_RCV": RootErrorStatus.err_cor_received,
    "PCI_ERR_ROOT_MULTI_COR_RCV": RootErrorStatus.multiple_err_cor_received,
    "PCI_ERR_ROOT_UNCOR_RCV": RootErrorStatus.err_fatal_nonfatal_received,
    "PCI_ERR_ROOT_MULTI_UNCOR_RCV": RootErrorStatus.multiple_err_fatal_nonfatal_received,
    "PCI_ERR_ROOT_FIRST_FATAL": RootErrorStatus.first_uncorrectable_fatal,
    "PCI_ERR_ROOT_NONFATAL_RCV": RootErrorStatus.non_fatal_error_messages_received,
    "PCI_ERR_ROOT_FATAL_RCV": RootErrorStatus.fatal_error_messages_received,
    "PCI_ERR_ROOT_AER_IRQ": RootErrorStatus.advanced_error_interrupt_message_number,
    "PCI_EXP_DPC_IRQ": DpcCapability.dpc_interrupt_message_number,
    "PCI_EXP_DPC_CAP_RP_EXT": DpcCapability.rp_extensions_for_dpc,
    "PCI_EXP_DPC_CAP_POISONED_TLP": DpcCapability.poisoned_tlp_egress_blocking_supported,
    "PCI_EXP_DPC_CAP_SW_TRIGGER": DpcCapability.dpc_software_triggering_supported,
    "PCI_EXP_DPC_CAP_DL_ACTIVE": DpcCapability.dl_active_err_cor_signaling_supported,
    "PCI_EXP_DPC_CTL_INT_EN": DpcControl.dpc_interrupt_enable,
    "PCI_EXP_DPC_STATUS_TRIGGER": DpcStatus.dpc_trigger_status,
    "PCI_EXP_DPC_STATUS_TRIGGER_RSN": DpcStatus.dpc_trigger_reason,
    "PCI_EXP_DPC_STATUS_INTERRUPT": DpcStatus.dpc_interrupt_status,
    "PCI_EXP_DPC_RP_BUSY": DpcStatus.dpc_rp_busy,
    "PCI_EXP_DPC_STATUS_TRIGGER_RSN_EXT": DpcStatus.dpc_trigger_reason_extension,
    "PCI_PM_CTRL_STATE_MASK": PowerManagementControlStatus.power_state,
    "PCI_PM_CTRL_NO_SOFT_RESET": PowerManagementControlStatus.no_soft_reset,
    "PCI_PM_CTRL_PME_ENABLE": PowerManagementControlStatus.pme_enable,
    "PCI_PM_CTRL_DATA_SEL_MASK": PowerManagementControlStatus.data_select,
    "PCI_PM_CTRL_DATA_SCALE_MASK": PowerManagementControlStatus.data_scale,
    "PCI_PM_CTRL_PME_STATUS": PowerManagementControlStatus.pme_status,
    "PCI_PM_CAP_VER_MASK": PowerManagementCapabilities.version,
    "PCI_PM_CAP_D1": PowerManagementCapabilities.d1_support,
    "PCI_PM_CAP_D2": PowerManagementCapabilities.d2_support,
    "PCI_PM_CAP_PME_MASK": PowerManagementCapabilities.pme_support,
    "PCI_ACS_SV": AcsCapability.acs_source_validation,
    "PCI_ACS_TB": AcsCapability.acs_translation_blocking,
    "PCI_ACS_RR": AcsCapability.acs_p2p_request_redirect,
    "PCI_ACS_CR": AcsCapability.acs_p2p_completion_redirect,
    "PCI_ACS_UF": AcsCapability.acs_upstream_forwarding,
    "PCI_ACS_EC": AcsCapability.acs_p2p_egress_control,
    "PCI_ACS_DT": AcsCapability.acs_translated_p2p,
    "PCI_BRIDGE_CTL_SERR": BridgeControl.serr_enable,
    "PCI_BRIDGE_CTL_PARITY": BridgeControl.parity_error_response_enable,
    "PCI_BRIDGE_CTL_VGA": BridgeControl.vga_enable,
    "PCI_BRIDGE_CTL_BUS_RESET": BridgeControl.secondary_bus_reset,
    "PCI_COMMAND_MASTER": Command.bus_master_enable,
    "PCI_COMMAND_MEMORY": Command.memory_space_enable,
    "PCI_COMMAND_SERR": Command.serr_enable,
    "PCI_COMMAND_INTX_DISABLE": Command.interrupt_disable,
    "PCI_STATUS_CAP_LIST": Status.capabilities_list,
    "PCI_STATUS_REC_MASTER_ABORT": Status.received_master_abort,
    "PCI_STATUS_DETECTED_PARITY": Status.detected_parity_error,
    "PCI_L1SS_CAP_PCIPM_L1_2": L1SubstatesCapabilities.pci_pm_l1_2_supported,
    "PCI_L1SS_CAP_ASPM_L1_1": L1SubstatesCapabilities.aspm_l1_1_supported,
    "PCI_L1SS_CAP_CM_RESTORE_TIME": L1SubstatesCapabilities.port_common_mode_restore_time,
    "PCI_L1SS_CAP_P_PWR_ON_SCALE": L1SubstatesCapabilities.port_t_power_on_scale,
    "PCI_L1SS_CAP_P_PWR_ON_VALUE": L1SubstatesCapabilities.port_t_power_on_value,
    "PCI_L1SS_CTL1_LTR_L12_TH_VALUE": L1SubstatesControl1.ltr_l1_2_threshold_value,
    "PCI_L1SS_CTL1_LTR_L12_TH_SCALE": L1SubstatesControl1.ltr_l1_2_threshold_scale,
    "PCI_DLF_EXCHANGE_ENABLE": DataLinkFeatureCapabilities.data_link_feature_exchange_enable,
}  # fmt: skip

CORRECTABLE = {"RCVR": 0, "BAD_TLP": 6, "BAD_DLLP": 7, "REP_ROLL": 8, "REP_TIMER": 12, "ADV_NFAT": 13, "INTERNAL": 14,
               "LOG_OVER": 15}  # fmt: skip
UNCORRECTABLE = {
    "UND": 0, "DLP": 4, "SURPDN": 5, "POISON_TLP": 12, "FCP": 13, "COMP_TIME": 14, "COMP_ABORT": 15, "UNX_COMP": 16,
    "RX_OVER": 17, "MALF_TLP": 18, "ECRC": 19, "UNSUP": 20, "ACSV": 21, "INTN": 22, "MCBTLP": 23, "ATOMEG": 24, "TLPPRE": 25,
}  # fmt: skip
WORDS = {  # a word of the macro's own comment, so that bit and name cannot be swapped unseen
    "RCVR": "Receiver", "BAD_TLP": "Bad TLP", "BAD_DLLP": "Bad DLLP", "REP_ROLL": "Rollover", "REP_TIMER": "Replay Timer",
    "ADV_NFAT": "Advisory", "INTERNAL": "Internal", "LOG_OVER": "Log Overflow", "DLP": "Data Link", "SURPDN": "Surprise",
    "POISON_TLP": "Poisoned", "FCP": "Flow Control", "COMP_TIME": "Completion Timeout", "COMP_ABORT": "Completer Abort",
    "UNX_COMP": "Unexpected", "RX_OVER": "Receiver Overflow", "MALF_TLP": "Malformed", "ECRC": "ECRC",
    "UNSUP": "Unsupported", "ACSV": "ACS", "INTN": "Internal", "MCBTLP": "MC Blocked", "ATOMEG": "AtomicOp",
    "TLPPRE": "Prefix", "UND": "Undefined",
}  # fmt: skip


@pytest.mark.parametrize("macro", OFFSETS)
def test_offsets(macro: str, header: Mapping[str, int]) -> None:
    register, base = OFFSETS[macro]
    assert header[macro] == register.offset + base


@pytest.mark.parametrize("macro", MASKS)
def test_masks(macro: str, header: Mapping[str, int]) -> None:
    assert header[macro] == MASKS[macro].mask


@pytest.mark.parametrize("name", CORRECTABLE)
def test_correctable_bits(name: str, header: Mapping[str, int]) -> None:
    bit = CORRECTABLE[name]
    assert header[f"PCI_ERR_COR_{name}"] == 1 << bit
    (named,) = errors_in(CorrectableErrorStatus, 1 << bit)
    assert WORDS[name] in named


@pytest.mark.parametrize("name", UNCORRECTABLE)
def test_uncorrectable_bits(name: str, header: Mapping[str, int]) -> None:
    bit = UNCORRECTABLE[name]
    assert header[f"PCI_ERR_UNC_{name}"] == 1 << bit
    (named,) = errors_in(UncorrectableErrorStatus, 1 << bit)
    assert WORDS[name] in named


IDS: dict[str, Structure] = {
    "PCI_CAP_ID_PM": function.POWER_MANAGEMENT, "PCI_CAP_ID_EXP": express.PCI_EXPRESS,
    "PCI_EXT_CAP_ID_ERR": errors.ADVANCED_ERROR_REPORTING, "PCI_EXT_CAP_ID_DSN": function.DEVICE_SERIAL_NUMBER,
    "PCI_EXT_CAP_ID_VNDR": function.VENDOR_SPECIFIC, "PCI_EXT_CAP_ID_ACS": function.ACCESS_CONTROL_SERVICES,
    "PCI_EXT_CAP_ID_ARI": function.ALTERNATIVE_ROUTING_ID,
    "PCI_EXT_CAP_ID_SRIOV": function.SINGLE_ROOT_IO_VIRTUALIZATION,
    "PCI_EXT_CAP_ID_SECPCI": physical.SECONDARY_PCI_EXPRESS, "PCI_EXT_CAP_ID_DPC": DOWNSTREAM_PORT_CONTAINMENT,
    "PCI_EXT_CAP_ID_L1SS": function.L1_SUBSTATES, "PCI_EXT_CAP_ID_DLF": physical.DATA_LINK_FEATURE,
    "PCI_EXT_CAP_ID_PL_16GT": physical.PHYSICAL_LAYER_16,
}  # fmt: skip
PAST_THE_HEADER = {0x27, 0x2A, 0x31, 0x2F}  # Linux 6.18 pci_regs.h and EDK II PciExpress50.h, PciExpress60.h


@pytest.mark.parametrize("macro", IDS)
def test_capability_ids(macro: str, header: Mapping[str, int]) -> None:
    assert header[macro] == IDS[macro].id
    assert IDS[macro].extended == macro.startswith("PCI_EXT_")


def test_every_table_is_checked_for_its_id() -> None:
    assert {structure.id for structure in STRUCTURES} - {table.id for table in IDS.values()} == PAST_THE_HEADER


OTHER_IDS = {
    "PCI_CAP_ID_VPD": "Vital Product", "PCI_CAP_ID_SLOTID": "Slot", "PCI_CAP_ID_MSI": "Message Signaled",
    "PCI_CAP_ID_PCIX": "PCI-X", "PCI_CAP_ID_VNDR": "Vendor", "PCI_CAP_ID_DBG": "Debug", "PCI_CAP_ID_SHPC": "Hot-Plug",
    "PCI_CAP_ID_SSVID": "Subsystem", "PCI_CAP_ID_MSIX": "MSI-X", "PCI_CAP_ID_SATA": "Serial ATA",
    "PCI_CAP_ID_AF": "Advanced Features", "PCI_CAP_ID_EA": "Enhanced Allocation",
    "PCI_EXT_CAP_ID_VC": "Virtual Channel", "PCI_EXT_CAP_ID_PWR": "Power Budgeting",
    "PCI_EXT_CAP_ID_RCLD": "Link Declaration", "PCI_EXT_CAP_ID_RCEC": "Event Collector",
    "PCI_EXT_CAP_ID_ATS": "Address Translation", "PCI_EXT_CAP_ID_MCAST": "Multicast",
    "PCI_EXT_CAP_ID_PRI": "Page Request", "PCI_EXT_CAP_ID_REBAR": "Resizable BAR",
    "PCI_EXT_CAP_ID_DPA": "Dynamic Power", "PCI_EXT_CAP_ID_TPH": "TPH", "PCI_EXT_CAP_ID_LTR": "Latency Tolerance",
    "PCI_EXT_CAP_ID_PASID": "Process Address", "PCI_EXT_CAP_ID_PTM": "Precision Time",
    "PCI_EXT_CAP_ID_DVSEC": "Designated", "PCI_EXT_CAP_ID_DOE": "Data Object",
}  # fmt: skip


@pytest.mark.parametrize("macro", OTHER_IDS)
def test_ids_without_a_table(macro: str, header: Mapping[str, int]) -> None:
    assert OTHER_IDS[macro] in _OTHER_NAMES[macro.startswith("PCI_EXT_"), header[macro]]


@pytest.mark.parametrize(
    ("macro", "code"),
    [("2_5GB", 1), ("5_0GB", 2), ("8_0GB", 3), ("16_0GB", 4), ("32_0GB", 5), ("64_0GB", 6)],
)
def test_speed_codes(macro: str, code: int, header: Mapping[str, int]) -> None:

    gts = float(macro.removesuffix("GB").replace("_", "."))
    assert header[f"PCI_EXP_LNKCAP_SLS_{macro}"] == code
    assert header[f"PCI_EXP_LNKSTA_CLS_{macro}"] == code
    assert (
        header[f"PCI_EXP_LNKCTL2_TLS_{macro.replace('_0', '_0') if code != 1 else '2_5GT'}".replace("GB", "GT")] == code
    )
    assert SPEED_GTS[code] == gts
    vector = LinkCapabilities2.supported_link_speeds_vector
    assert vector.decode(header[f"PCI_EXP_LNKCAP2_SLS_{macro}"]) == (gts,)


TYPES = {
    "ENDPOINT": device.ENDPOINT, "LEG_END": device.LEGACY_ENDPOINT, "ROOT_PORT": device.ROOT_PORT,
    "UPSTREAM": device.UPSTREAM_PORT, "DOWNSTREAM": device.DOWNSTREAM_PORT, "PCI_BRIDGE": device.TO_PCI,
    "PCIE_BRIDGE": device.FROM_PCI, "RC_END": device.INTEGRATED, "RC_EC": device.EVENT_COLLECTOR,
}  # fmt: skip


@pytest.mark.parametrize("macro", TYPES)
def test_port_types(macro: str, header: Mapping[str, int]) -> None:
    assert device.PORT_TYPES[header[f"PCI_EXP_TYPE_{macro}"]] == TYPES[macro]
