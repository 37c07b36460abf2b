"""Our tables against the kernel's header, parsed: offsets, masks, capability ids."""

from collections.abc import Mapping

import pytest

from probe.registers import errors, express, function, physical
from probe.registers import header as header_tables
from probe.registers.catalogue import _OTHER_NAMES, STRUCTURES
from probe.registers.model import Register, Structure
from probe.registers.values import SPEED_GTS, speed_of_vector

pytestmark = pytest.mark.published("include/uapi/linux/pci_regs.h, as installed by linux-libc-dev")

OFFSETS: dict[str, tuple[Register, int]] = {
    "PCI_EXP_FLAGS": (express.CAPABILITIES, 0), "PCI_EXP_DEVCAP": (express.DEVICE_CAPABILITIES, 0),
    "PCI_EXP_DEVCTL": (express.DEVICE_CONTROL, 0), "PCI_EXP_DEVSTA": (express.DEVICE_STATUS, 0),
    "PCI_EXP_LNKCAP": (express.LINK_CAPABILITIES, 0), "PCI_EXP_LNKCTL": (express.LINK_CONTROL, 0),
    "PCI_EXP_LNKSTA": (express.LINK_STATUS, 0), "PCI_EXP_SLTCAP": (express.SLOT_CAPABILITIES, 0),
    "PCI_EXP_SLTCTL": (express.SLOT_CONTROL, 0), "PCI_EXP_SLTSTA": (express.SLOT_STATUS, 0),
    "PCI_EXP_RTCTL": (express.ROOT_CONTROL, 0), "PCI_EXP_RTCAP": (express.ROOT_CAPABILITIES, 0),
    "PCI_EXP_RTSTA": (express.ROOT_STATUS, 0), "PCI_EXP_DEVCAP2": (express.DEVICE_CAPABILITIES_2, 0),
    "PCI_EXP_DEVCTL2": (express.DEVICE_CONTROL_2, 0), "PCI_EXP_DEVSTA2": (express.DEVICE_STATUS_2, 0),
    "PCI_EXP_LNKCAP2": (express.LINK_CAPABILITIES_2, 0), "PCI_EXP_LNKCTL2": (express.LINK_CONTROL_2, 0),
    "PCI_EXP_LNKSTA2": (express.LINK_STATUS_2, 0), "PCI_EXP_SLTCAP2": (express.SLOT_CAPABILITIES_2, 0),
    "PCI_EXP_SLTCTL2": (express.SLOT_CONTROL_2, 0), "PCI_EXP_SLTSTA2": (express.SLOT_STATUS_2, 0),
    "PCI_ERR_UNCOR_STATUS": (errors.UNCORRECTABLE_STATUS, 0), "PCI_ERR_UNCOR_MASK": (errors.UNCORRECTABLE_MASK, 0),
    "PCI_ERR_UNCOR_SEVER": (errors.UNCORRECTABLE_SEVERITY, 0), "PCI_ERR_COR_STATUS": (errors.CORRECTABLE_STATUS, 0),
    "PCI_ERR_COR_MASK": (errors.CORRECTABLE_MASK, 0), "PCI_ERR_CAP": (errors.CONTROL, 0),
    "PCI_ERR_HEADER_LOG": (errors.HEADER_LOG, 0), "PCI_ERR_ROOT_COMMAND": (errors.ROOT_COMMAND, 0),
    "PCI_ERR_ROOT_STATUS": (errors.ROOT_ERROR_STATUS, 0), "PCI_ERR_ROOT_ERR_SRC": (errors.ERROR_SOURCE, 0),
    "PCI_EXP_DPC_CAP": (errors.DPC_CAPABILITY, 0), "PCI_EXP_DPC_CTL": (errors.DPC_CONTROL, 0),
    "PCI_EXP_DPC_STATUS": (errors.DPC_STATUS, 0), "PCI_EXP_DPC_SOURCE_ID": (errors.DPC_SOURCE, 0),
    "PCI_PM_PMC": (function.POWER_CAPABILITIES, 0), "PCI_PM_CTRL": (function.POWER_CONTROL, 0),
    "PCI_ACS_CAP": (function.ACS_CAPABILITY, 0), "PCI_ACS_CTRL": (function.ACS_CONTROL, 0),
    "PCI_ARI_CAP": (function.ARI_CAPABILITY, 0), "PCI_ARI_CTRL": (function.ARI_CONTROL, 0),
    "PCI_VENDOR_ID": (header_tables.VENDOR, 0), "PCI_DEVICE_ID": (header_tables.DEVICE, 0),
    "PCI_COMMAND": (header_tables.COMMAND, 0), "PCI_STATUS": (header_tables.STATUS, 0),
    "PCI_HEADER_TYPE": (header_tables.HEADER_TYPE, 0), "PCI_SECONDARY_BUS": (header_tables.SECONDARY_BUS, 0),
    "PCI_SUBORDINATE_BUS": (header_tables.SUBORDINATE_BUS, 0), "PCI_PRIMARY_BUS": (header_tables.PRIMARY_BUS, 0),
    "PCI_BRIDGE_CONTROL": (header_tables.BRIDGE_CONTROL, 0),
    "PCI_CAPABILITY_LIST": (header_tables.CAPABILITIES_POINTER, 0),
    "PCI_SUBSYSTEM_VENDOR_ID": (header_tables.SUBSYSTEM_VENDOR, 0), "PCI_SUBSYSTEM_ID": (header_tables.SUBSYSTEM, 0),
}  # fmt: skip

MASKS: dict[str, tuple[Register, str]] = {
    "PCI_EXP_FLAGS_VERS": (express.CAPABILITIES, "Capability Version"),
    "PCI_EXP_FLAGS_TYPE": (express.CAPABILITIES, "Device/Port Type"),
    "PCI_EXP_FLAGS_SLOT": (express.CAPABILITIES, "Slot Implemented"),
    "PCI_EXP_FLAGS_IRQ": (express.CAPABILITIES, "Interrupt Message Number"),
    "PCI_EXP_DEVCAP_PAYLOAD": (express.DEVICE_CAPABILITIES, "Max_Payload_Size Supported"),
    "PCI_EXP_DEVCAP_PHANTOM": (express.DEVICE_CAPABILITIES, "Phantom Functions Supported"),
    "PCI_EXP_DEVCAP_EXT_TAG": (express.DEVICE_CAPABILITIES, "Extended Tag Field Supported"),
    "PCI_EXP_DEVCAP_L0S": (express.DEVICE_CAPABILITIES, "Endpoint L0s Acceptable Latency"),
    "PCI_EXP_DEVCAP_L1": (express.DEVICE_CAPABILITIES, "Endpoint L1 Acceptable Latency"),
    "PCI_EXP_DEVCAP_RBER": (express.DEVICE_CAPABILITIES, "Role-Based Error Reporting"),
    "PCI_EXP_DEVCAP_PWR_VAL": (express.DEVICE_CAPABILITIES, "Captured Slot Power Limit Value"),
    "PCI_EXP_DEVCAP_PWR_SCL": (express.DEVICE_CAPABILITIES, "Captured Slot Power Limit Scale"),
    "PCI_EXP_DEVCAP_FLR": (express.DEVICE_CAPABILITIES, "Function Level Reset Capability"),
    "PCI_EXP_DEVCTL_CERE": (express.DEVICE_CONTROL, "Correctable Error Reporting Enable"),
    "PCI_EXP_DEVCTL_NFERE": (express.DEVICE_CONTROL, "Non-Fatal Error Reporting Enable"),
    "PCI_EXP_DEVCTL_FERE": (express.DEVICE_CONTROL, "Fatal Error Reporting Enable"),
    "PCI_EXP_DEVCTL_URRE": (express.DEVICE_CONTROL, "Unsupported Request Reporting Enable"),
    "PCI_EXP_DEVCTL_RELAX_EN": (express.DEVICE_CONTROL, "Enable Relaxed Ordering"),
    "PCI_EXP_DEVCTL_PAYLOAD": (express.DEVICE_CONTROL, "Max_Payload_Size"),
    "PCI_EXP_DEVCTL_EXT_TAG": (express.DEVICE_CONTROL, "Extended Tag Field Enable"),
    "PCI_EXP_DEVCTL_PHANTOM": (express.DEVICE_CONTROL, "Phantom Functions Enable"),
    "PCI_EXP_DEVCTL_AUX_PME": (express.DEVICE_CONTROL, "Aux Power PM Enable"),
    "PCI_EXP_DEVCTL_NOSNOOP_EN": (express.DEVICE_CONTROL, "Enable No Snoop"),
    "PCI_EXP_DEVCTL_READRQ": (express.DEVICE_CONTROL, "Max_Read_Request_Size"),
    "PCI_EXP_DEVSTA_CED": (express.DEVICE_STATUS, "Correctable Error Detected"),
    "PCI_EXP_DEVSTA_NFED": (express.DEVICE_STATUS, "Non-Fatal Error Detected"),
    "PCI_EXP_DEVSTA_FED": (express.DEVICE_STATUS, "Fatal Error Detected"),
    "PCI_EXP_DEVSTA_URD": (express.DEVICE_STATUS, "Unsupported Request Detected"),
    "PCI_EXP_DEVSTA_AUXPD": (express.DEVICE_STATUS, "AUX Power Detected"),
    "PCI_EXP_DEVSTA_TRPND": (express.DEVICE_STATUS, "Transactions Pending"),
    "PCI_EXP_LNKCAP_SLS": (express.LINK_CAPABILITIES, "Max Link Speed"),
    "PCI_EXP_LNKCAP_MLW": (express.LINK_CAPABILITIES, "Maximum Link Width"),
    "PCI_EXP_LNKCAP_ASPMS": (express.LINK_CAPABILITIES, "ASPM Support"),
    "PCI_EXP_LNKCAP_L0SEL": (express.LINK_CAPABILITIES, "L0s Exit Latency"),
    "PCI_EXP_LNKCAP_L1EL": (express.LINK_CAPABILITIES, "L1 Exit Latency"),
    "PCI_EXP_LNKCAP_CLKPM": (express.LINK_CAPABILITIES, "Clock Power Management"),
    "PCI_EXP_LNKCAP_SDERC": (express.LINK_CAPABILITIES, "Surprise Down Error Reporting Capable"),
    "PCI_EXP_LNKCAP_DLLLARC": (express.LINK_CAPABILITIES, "Data Link Layer Link Active Reporting Capable"),
    "PCI_EXP_LNKCAP_LBNC": (express.LINK_CAPABILITIES, "Link Bandwidth Notification Capability"),
    "PCI_EXP_LNKCAP_PN": (express.LINK_CAPABILITIES, "Port Number"),
    "PCI_EXP_LNKCTL_ASPMC": (express.LINK_CONTROL, "ASPM Control"),
    "PCI_EXP_LNKCTL_RCB": (express.LINK_CONTROL, "Read Completion Boundary"),
    "PCI_EXP_LNKCTL_LD": (express.LINK_CONTROL, "Link Disable"),
    "PCI_EXP_LNKCTL_RL": (express.LINK_CONTROL, "Retrain Link"),
    "PCI_EXP_LNKCTL_CCC": (express.LINK_CONTROL, "Common Clock Configuration"),
    "PCI_EXP_LNKCTL_ES": (express.LINK_CONTROL, "Extended Synch"),
    "PCI_EXP_LNKCTL_CLKREQ_EN": (express.LINK_CONTROL, "Enable Clock Power Management"),
    "PCI_EXP_LNKCTL_HAWD": (express.LINK_CONTROL, "Hardware Autonomous Width Disable"),
    "PCI_EXP_LNKCTL_LBMIE": (express.LINK_CONTROL, "Link Bandwidth Management Interrupt Enable"),
    "PCI_EXP_LNKCTL_LABIE": (express.LINK_CONTROL, "Link Autonomous Bandwidth Interrupt Enable"),
    "PCI_EXP_LNKSTA_CLS": (express.LINK_STATUS, "Current Link Speed"),
    "PCI_EXP_LNKSTA_NLW": (express.LINK_STATUS, "Negotiated Link Width"),
    "PCI_EXP_LNKSTA_LT": (express.LINK_STATUS, "Link Training"),
    "PCI_EXP_LNKSTA_SLC": (express.LINK_STATUS, "Slot Clock Configuration"),
    "PCI_EXP_LNKSTA_DLLLA": (express.LINK_STATUS, "Data Link Layer Link Active"),
    "PCI_EXP_LNKSTA_LBMS": (express.LINK_STATUS, "Link Bandwidth Management Status"),
    "PCI_EXP_LNKSTA_LABS": (express.LINK_STATUS, "Link Autonomous Bandwidth Status"),
    "PCI_EXP_SLTCAP_ABP": (express.SLOT_CAPABILITIES, "Attention Button Present"),
    "PCI_EXP_SLTCAP_PCP": (express.SLOT_CAPABILITIES, "Power Controller Present"),
    "PCI_EXP_SLTCAP_MRLSP": (express.SLOT_CAPABILITIES, "MRL Sensor Present"),
    "PCI_EXP_SLTCAP_AIP": (express.SLOT_CAPABILITIES, "Attention Indicator Present"),
    "PCI_EXP_SLTCAP_PIP": (express.SLOT_CAPABILITIES, "Power Indicator Present"),
    "PCI_EXP_SLTCAP_HPS": (express.SLOT_CAPABILITIES, "Hot-Plug Surprise"),
    "PCI_EXP_SLTCAP_HPC": (express.SLOT_CAPABILITIES, "Hot-Plug Capable"),
    "PCI_EXP_SLTCAP_SPLV": (express.SLOT_CAPABILITIES, "Slot Power Limit Value"),
    "PCI_EXP_SLTCAP_SPLS": (express.SLOT_CAPABILITIES, "Slot Power Limit Scale"),
    "PCI_EXP_SLTCAP_EIP": (express.SLOT_CAPABILITIES, "Electromechanical Interlock Present"),
    "PCI_EXP_SLTCAP_NCCS": (express.SLOT_CAPABILITIES, "No Command Completed Support"),
    "PCI_EXP_SLTCAP_PSN": (express.SLOT_CAPABILITIES, "Physical Slot Number"),
    "PCI_EXP_SLTCTL_ABPE": (express.SLOT_CONTROL, "Attention Button Pressed Enable"),
    "PCI_EXP_SLTCTL_PFDE": (express.SLOT_CONTROL, "Power Fault Detected Enable"),
    "PCI_EXP_SLTCTL_PDCE": (express.SLOT_CONTROL, "Presence Detect Changed Enable"),
    "PCI_EXP_SLTCTL_PIC": (express.SLOT_CONTROL, "Power Indicator Control"),
    "PCI_EXP_SLTCTL_AIC": (express.SLOT_CONTROL, "Attention Indicator Control"),
    "PCI_EXP_SLTCTL_PCC": (express.SLOT_CONTROL, "Power Controller Control"),
    "PCI_EXP_SLTCTL_DLLSCE": (express.SLOT_CONTROL, "Data Link Layer State Changed Enable"),
    "PCI_EXP_SLTCTL_ASPL_DISABLE": (express.SLOT_CONTROL, "Auto Slot Power Limit Disable"),
    "PCI_EXP_SLTSTA_PFD": (express.SLOT_STATUS, "Power Fault Detected"),
    "PCI_EXP_SLTSTA_MRLSS": (express.SLOT_STATUS, "MRL Sensor State"),
    "PCI_EXP_SLTSTA_PDS": (express.SLOT_STATUS, "Presence Detect State"),
    "PCI_EXP_SLTSTA_EIS": (express.SLOT_STATUS, "Electromechanical Interlock Status"),
    "PCI_EXP_SLTSTA_DLLSC": (express.SLOT_STATUS, "Data Link Layer State Changed"),
    "PCI_EXP_RTCTL_SECEE": (express.ROOT_CONTROL, "System Error on Correctable Error Enable"),
    "PCI_EXP_RTCTL_SENFEE": (express.ROOT_CONTROL, "System Error on Non-Fatal Error Enable"),
    "PCI_EXP_RTCTL_SEFEE": (express.ROOT_CONTROL, "System Error on Fatal Error Enable"),
    "PCI_EXP_RTCTL_PMEIE": (express.ROOT_CONTROL, "PME Interrupt Enable"),
    "PCI_EXP_RTCTL_CRSSVE": (express.ROOT_CONTROL, "CRS Software Visibility Enable"),
    "PCI_EXP_RTSTA_PME": (express.ROOT_STATUS, "PME Status"),
    "PCI_EXP_RTSTA_PENDING": (express.ROOT_STATUS, "PME Pending"),
    "PCI_EXP_DEVCAP2_COMP_TMOUT_DIS": (express.DEVICE_CAPABILITIES_2, "Completion Timeout Disable Supported"),
    "PCI_EXP_DEVCAP2_ARI": (express.DEVICE_CAPABILITIES_2, "ARI Forwarding Supported"),
    "PCI_EXP_DEVCAP2_ATOMIC_ROUTE": (express.DEVICE_CAPABILITIES_2, "AtomicOp Routing Supported"),
    "PCI_EXP_DEVCAP2_LTR": (express.DEVICE_CAPABILITIES_2, "LTR Mechanism Supported"),
    "PCI_EXP_DEVCAP2_OBFF_MASK": (express.DEVICE_CAPABILITIES_2, "OBFF Supported"),
    "PCI_EXP_DEVCAP2_EE_PREFIX": (express.DEVICE_CAPABILITIES_2, "End-End TLP Prefix Supported"),
    "PCI_EXP_DEVCTL2_COMP_TIMEOUT": (express.DEVICE_CONTROL_2, "Completion Timeout Value"),
    "PCI_EXP_DEVCTL2_COMP_TMOUT_DIS": (express.DEVICE_CONTROL_2, "Completion Timeout Disable"),
    "PCI_EXP_DEVCTL2_ARI": (express.DEVICE_CONTROL_2, "ARI Forwarding Enable"),
    "PCI_EXP_DEVCTL2_ATOMIC_REQ": (express.DEVICE_CONTROL_2, "AtomicOp Requester Enable"),
    "PCI_EXP_DEVCTL2_LTR_EN": (express.DEVICE_CONTROL_2, "LTR Mechanism Enable"),
    "PCI_EXP_LNKCAP2_CROSSLINK": (express.LINK_CAPABILITIES_2, "Crosslink Supported"),
    "PCI_EXP_LNKCTL2_TLS": (express.LINK_CONTROL_2, "Target Link Speed"),
    "PCI_EXP_LNKCTL2_ENTER_COMP": (express.LINK_CONTROL_2, "Enter Compliance"),
    "PCI_EXP_LNKCTL2_TX_MARGIN": (express.LINK_CONTROL_2, "Transmit Margin"),
    "PCI_EXP_LNKCTL2_HASD": (express.LINK_CONTROL_2, "Hardware Autonomous Speed Disable"),
    "PCI_EXP_SLTCAP2_IBPD": (express.SLOT_CAPABILITIES_2, "In-Band PD Disable Supported"),
    "PCI_ERR_CAP_ECRC_GENC": (errors.CONTROL, "ECRC Generation Capable"),
    "PCI_ERR_CAP_ECRC_GENE": (errors.CONTROL, "ECRC Generation Enable"),
    "PCI_ERR_CAP_ECRC_CHKC": (errors.CONTROL, "ECRC Check Capable"),
    "PCI_ERR_CAP_ECRC_CHKE": (errors.CONTROL, "ECRC Check Enable"),
    "PCI_ERR_ROOT_CMD_COR_EN": (errors.ROOT_COMMAND, "Correctable Error Reporting Enable"),
    "PCI_ERR_ROOT_CMD_NONFATAL_EN": (errors.ROOT_COMMAND, "Non-Fatal Error Reporting Enable"),
    "PCI_ERR_ROOT_CMD_FATAL_EN": (errors.ROOT_COMMAND, "Fatal Error Reporting Enable"),
    "PCI_ERR_ROOT_COR_RCV": (errors.ROOT_ERROR_STATUS, "ERR_COR Received"),
    "PCI_ERR_ROOT_MULTI_COR_RCV": (errors.ROOT_ERROR_STATUS, "Multiple ERR_COR Received"),
    "PCI_ERR_ROOT_UNCOR_RCV": (errors.ROOT_ERROR_STATUS, "ERR_FATAL/NONFATAL Received"),
    "PCI_ERR_ROOT_MULTI_UNCOR_RCV": (errors.ROOT_ERROR_STATUS, "Multiple ERR_FATAL/NONFATAL Received"),
    "PCI_ERR_ROOT_FIRST_FATAL": (errors.ROOT_ERROR_STATUS, "First Uncorrectable Fatal"),
    "PCI_ERR_ROOT_NONFATAL_RCV": (errors.ROOT_ERROR_STATUS, "Non-Fatal Error Messages Received"),
    "PCI_ERR_ROOT_FATAL_RCV": (errors.ROOT_ERROR_STATUS, "Fatal Error Messages Received"),
    "PCI_ERR_ROOT_AER_IRQ": (errors.ROOT_ERROR_STATUS, "Advanced Error Interrupt Message Number"),
    "PCI_EXP_DPC_IRQ": (errors.DPC_CAPABILITY, "DPC Interrupt Message Number"),
    "PCI_EXP_DPC_CAP_RP_EXT": (errors.DPC_CAPABILITY, "RP Extensions for DPC"),
    "PCI_EXP_DPC_CAP_POISONED_TLP": (errors.DPC_CAPABILITY, "Poisoned TLP Egress Blocking Supported"),
    "PCI_EXP_DPC_CAP_SW_TRIGGER": (errors.DPC_CAPABILITY, "DPC Software Triggering Supported"),
    "PCI_EXP_DPC_CAP_DL_ACTIVE": (errors.DPC_CAPABILITY, "DL_Active ERR_COR Signaling Supported"),
    "PCI_EXP_DPC_CTL_INT_EN": (errors.DPC_CONTROL, "DPC Interrupt Enable"),
    "PCI_EXP_DPC_STATUS_TRIGGER": (errors.DPC_STATUS, "DPC Trigger Status"),
    "PCI_EXP_DPC_STATUS_TRIGGER_RSN": (errors.DPC_STATUS, "DPC Trigger Reason"),
    "PCI_EXP_DPC_STATUS_INTERRUPT": (errors.DPC_STATUS, "DPC Interrupt Status"),
    "PCI_EXP_DPC_RP_BUSY": (errors.DPC_STATUS, "DPC RP Busy"),
    "PCI_EXP_DPC_STATUS_TRIGGER_RSN_EXT": (errors.DPC_STATUS, "DPC Trigger Reason Extension"),
    "PCI_PM_CTRL_STATE_MASK": (function.POWER_CONTROL, "PowerState"),
    "PCI_PM_CTRL_NO_SOFT_RESET": (function.POWER_CONTROL, "No_Soft_Reset"),
    "PCI_PM_CTRL_PME_ENABLE": (function.POWER_CONTROL, "PME Enable"),
    "PCI_PM_CTRL_DATA_SEL_MASK": (function.POWER_CONTROL, "Data Select"),
    "PCI_PM_CTRL_DATA_SCALE_MASK": (function.POWER_CONTROL, "Data Scale"),
    "PCI_PM_CTRL_PME_STATUS": (function.POWER_CONTROL, "PME Status"),
    "PCI_PM_CAP_VER_MASK": (function.POWER_CAPABILITIES, "Version"),
    "PCI_PM_CAP_D1": (function.POWER_CAPABILITIES, "D1 Support"),
    "PCI_PM_CAP_D2": (function.POWER_CAPABILITIES, "D2 Support"),
    "PCI_PM_CAP_PME_MASK": (function.POWER_CAPABILITIES, "PME Support"),
    "PCI_ACS_SV": (function.ACS_CAPABILITY, "ACS Source Validation"),
    "PCI_ACS_TB": (function.ACS_CAPABILITY, "ACS Translation Blocking"),
    "PCI_ACS_RR": (function.ACS_CAPABILITY, "ACS P2P Request Redirect"),
    "PCI_ACS_CR": (function.ACS_CAPABILITY, "ACS P2P Completion Redirect"),
    "PCI_ACS_UF": (function.ACS_CAPABILITY, "ACS Upstream Forwarding"),
    "PCI_ACS_EC": (function.ACS_CAPABILITY, "ACS P2P Egress Control"),
    "PCI_ACS_DT": (function.ACS_CAPABILITY, "ACS Translated P2P"),
    "PCI_BRIDGE_CTL_SERR": (header_tables.BRIDGE_CONTROL, "SERR# Enable"),
    "PCI_BRIDGE_CTL_PARITY": (header_tables.BRIDGE_CONTROL, "Parity Error Response Enable"),
    "PCI_BRIDGE_CTL_VGA": (header_tables.BRIDGE_CONTROL, "VGA Enable"),
    "PCI_BRIDGE_CTL_BUS_RESET": (header_tables.BRIDGE_CONTROL, "Secondary Bus Reset"),
    "PCI_COMMAND_MASTER": (header_tables.COMMAND, "Bus Master Enable"),
    "PCI_COMMAND_MEMORY": (header_tables.COMMAND, "Memory Space Enable"),
    "PCI_COMMAND_SERR": (header_tables.COMMAND, "SERR# Enable"),
    "PCI_COMMAND_INTX_DISABLE": (header_tables.COMMAND, "Interrupt Disable"),
    "PCI_STATUS_CAP_LIST": (header_tables.STATUS, "Capabilities List"),
    "PCI_STATUS_REC_MASTER_ABORT": (header_tables.STATUS, "Received Master Abort"),
    "PCI_STATUS_DETECTED_PARITY": (header_tables.STATUS, "Detected Parity Error"),
    "PCI_L1SS_CAP_PCIPM_L1_2": (_l1 := function.L1_SUBSTATES.registers[0], "PCI-PM L1.2 Supported"),
    "PCI_L1SS_CAP_ASPM_L1_1": (_l1, "ASPM L1.1 Supported"),
    "PCI_L1SS_CAP_CM_RESTORE_TIME": (_l1, "Port Common_Mode_Restore_Time"),
    "PCI_L1SS_CAP_P_PWR_ON_SCALE": (_l1, "Port T_POWER_ON Scale"),
    "PCI_L1SS_CAP_P_PWR_ON_VALUE": (_l1, "Port T_POWER_ON Value"),
    "PCI_L1SS_CTL1_LTR_L12_TH_VALUE": (function.L1_SUBSTATES.registers[1], "LTR_L1.2_THRESHOLD_Value"),
    "PCI_L1SS_CTL1_LTR_L12_TH_SCALE": (function.L1_SUBSTATES.registers[1], "LTR_L1.2_THRESHOLD_Scale"),
    "PCI_DLF_EXCHANGE_ENABLE": (physical.FEATURE_CAPABILITIES, "Data Link Feature Exchange Enable"),
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
    register, name = MASKS[macro]
    assert header[macro] == register[name].field.mask


@pytest.mark.parametrize("name", CORRECTABLE)
def test_correctable_bits(name: str, header: Mapping[str, int]) -> None:
    bit = CORRECTABLE[name]
    assert header[f"PCI_ERR_COR_{name}"] == 1 << bit
    assert WORDS[name] in errors.CORRECTABLE_BITS[bit]
    assert errors.CORRECTABLE_STATUS[errors.CORRECTABLE_BITS[bit]].field.mask == 1 << bit


@pytest.mark.parametrize("name", UNCORRECTABLE)
def test_uncorrectable_bits(name: str, header: Mapping[str, int]) -> None:
    bit = UNCORRECTABLE[name]
    assert header[f"PCI_ERR_UNC_{name}"] == 1 << bit
    assert WORDS[name] in errors.UNCORRECTABLE_BITS[bit]
    assert errors.UNCORRECTABLE_STATUS[errors.UNCORRECTABLE_BITS[bit]].field.mask == 1 << bit


IDS: dict[str, Structure] = {
    "PCI_CAP_ID_PM": function.POWER_MANAGEMENT, "PCI_CAP_ID_EXP": express.PCI_EXPRESS,
    "PCI_EXT_CAP_ID_ERR": errors.ADVANCED_ERROR_REPORTING, "PCI_EXT_CAP_ID_DSN": function.DEVICE_SERIAL_NUMBER,
    "PCI_EXT_CAP_ID_VNDR": function.VENDOR_SPECIFIC, "PCI_EXT_CAP_ID_ACS": function.ACCESS_CONTROL_SERVICES,
    "PCI_EXT_CAP_ID_ARI": function.ALTERNATIVE_ROUTING_ID,
    "PCI_EXT_CAP_ID_SRIOV": function.SINGLE_ROOT_IO_VIRTUALIZATION,
    "PCI_EXT_CAP_ID_SECPCI": physical.SECONDARY_PCI_EXPRESS, "PCI_EXT_CAP_ID_DPC": errors.DOWNSTREAM_PORT_CONTAINMENT,
    "PCI_EXT_CAP_ID_L1SS": function.L1_SUBSTATES, "PCI_EXT_CAP_ID_DLF": physical.DATA_LINK_FEATURE,
    "PCI_EXT_CAP_ID_PL_16GT": physical.PHYSICAL_LAYER_16,
}  # fmt: skip
PAST_THE_HEADER = {0x27, 0x2A, 0x31}  # Linux 6.18 pci_regs.h and EDK II PciExpress50.h, PciExpress60.h


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
    vector = express.LINK_CAPABILITIES_2["Supported Link Speeds Vector"].field
    assert speed_of_vector(vector.raw(header[f"PCI_EXP_LNKCAP2_SLS_{macro}"])) == (gts,)


TYPES = {
    "ENDPOINT": express.ENDPOINT, "LEG_END": express.LEGACY_ENDPOINT, "ROOT_PORT": express.ROOT_PORT,
    "UPSTREAM": express.UPSTREAM_PORT, "DOWNSTREAM": express.DOWNSTREAM_PORT, "PCI_BRIDGE": express.TO_PCI,
    "PCIE_BRIDGE": express.FROM_PCI, "RC_END": express.INTEGRATED, "RC_EC": express.EVENT_COLLECTOR,
}  # fmt: skip


@pytest.mark.parametrize("macro", TYPES)
def test_port_types(macro: str, header: Mapping[str, int]) -> None:
    assert express.PORT_TYPES[header[f"PCI_EXP_TYPE_{macro}"]] == TYPES[macro]
