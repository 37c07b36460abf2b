"""What each value of a field means, against the macros of the kernel's header that stand for one value of it."""

from collections.abc import Mapping
from typing import Any

import pytest

from probe.registers.containment import DpcControl
from probe.registers.device import DeviceCapabilities2, DeviceControl, DeviceControl2
from probe.registers.header import HeaderType, Status
from probe.registers.link import LinkCapabilities, LinkControl, LinkStatus
from probe.registers.slot import SlotControl
from probe.registers.table_language import Field

pytestmark = pytest.mark.published("include/uapi/linux/pci_regs.h, as installed by linux-libc-dev")

READS: dict[str, tuple[Field[Any], object]] = {
    **{f"PCI_EXP_DEVCTL_PAYLOAD_{size}B": (DeviceControl.max_payload_size, size) for size in (128, 256, 512, 1024, 2048, 4096)},
    **{f"PCI_EXP_DEVCTL_READRQ_{size}B": (DeviceControl.max_read_request_size, size) for size in (128, 256, 512, 1024, 2048, 4096)},
    **{f"PCI_EXP_LNKSTA_NLW_X{lanes}": (LinkStatus.negotiated_link_width, lanes) for lanes in (1, 2, 4, 8)},
    "PCI_EXP_LNKCAP_ASPM_L0S": (LinkCapabilities.aspm_support, "L0s"),
    "PCI_EXP_LNKCAP_ASPM_L1": (LinkCapabilities.aspm_support, "L1"),
    "PCI_EXP_LNKCAP_ASPMS": (LinkCapabilities.aspm_support, "L0s and L1"),
    "PCI_EXP_LNKCTL_ASPM_L0S": (LinkControl.aspm_control, "L0s"),
    "PCI_EXP_LNKCTL_ASPM_L1": (LinkControl.aspm_control, "L1"),
    "PCI_EXP_LNKCTL_ASPMC": (LinkControl.aspm_control, "L0s and L1"),
    "PCI_EXP_SLTCTL_ATTN_IND_ON": (SlotControl.attention_indicator_control, "on"),
    "PCI_EXP_SLTCTL_ATTN_IND_BLINK": (SlotControl.attention_indicator_control, "blinking"),
    "PCI_EXP_SLTCTL_ATTN_IND_OFF": (SlotControl.attention_indicator_control, "off"),
    "PCI_EXP_SLTCTL_PWR_IND_ON": (SlotControl.power_indicator_control, "on"),
    "PCI_EXP_SLTCTL_PWR_IND_BLINK": (SlotControl.power_indicator_control, "blinking"),
    "PCI_EXP_SLTCTL_PWR_IND_OFF": (SlotControl.power_indicator_control, "off"),
    "PCI_EXP_SLTCTL_PWR_ON": (SlotControl.power_controller_control, "power on"),
    "PCI_EXP_SLTCTL_PWR_OFF": (SlotControl.power_controller_control, "power off"),
    "PCI_EXP_DEVCAP2_OBFF_MSG": (DeviceCapabilities2.obff_supported, "by message"),
    "PCI_EXP_DEVCAP2_OBFF_WAKE": (DeviceCapabilities2.obff_supported, "by WAKE#"),
    "PCI_EXP_DEVCAP2_OBFF_MASK": (DeviceCapabilities2.obff_supported, "both"),
    "PCI_EXP_DEVCTL2_OBFF_MSGA_EN": (DeviceControl2.obff_enable, "by message, A"),
    "PCI_EXP_DEVCTL2_OBFF_MSGB_EN": (DeviceControl2.obff_enable, "by message, B"),
    "PCI_EXP_DEVCTL2_OBFF_WAKE_EN": (DeviceControl2.obff_enable, "by WAKE#"),
    "PCI_EXP_DPC_CTL_EN_FATAL": (DpcControl.dpc_trigger_enable, "on fatal"),
    "PCI_EXP_DPC_CTL_EN_NONFATAL": (DpcControl.dpc_trigger_enable, "on non-fatal or fatal"),
    "PCI_HEADER_TYPE_NORMAL": (HeaderType.header_layout, "type 0"),
    "PCI_HEADER_TYPE_BRIDGE": (HeaderType.header_layout, "type 1"),
    "PCI_HEADER_TYPE_CARDBUS": (HeaderType.header_layout, "CardBus"),
    "PCI_STATUS_DEVSEL_FAST": (Status.devsel_timing, 0),
    "PCI_STATUS_DEVSEL_MEDIUM": (Status.devsel_timing, 1),
    "PCI_STATUS_DEVSEL_SLOW": (Status.devsel_timing, 2),
}  # fmt: skip


@pytest.mark.parametrize("macro", READS)
def test_a_macro_reads_as_it_is_called(macro: str, header: Mapping[str, int]) -> None:
    field, value = READS[macro]
    assert field.decode(header[macro]) == value
    assert field.encode(value) == header[macro]


@pytest.mark.parametrize(
    "field",
    [DeviceControl.max_payload_size, DeviceControl.max_read_request_size, SlotControl.attention_indicator_control,
     SlotControl.power_indicator_control, DpcControl.dpc_trigger_enable, HeaderType.header_layout],
)  # fmt: skip
def test_what_the_header_does_not_name_is_reserved_or_off(field: Field[Any], header: Mapping[str, int]) -> None:
    named = {field.raw(header[macro]) for macro, (known, _) in READS.items() if known is field}
    for raw in set(range(1 << (field.high - field.low + 1))) - named:
        assert field.decode(raw << field.low) in {None, "off"}
