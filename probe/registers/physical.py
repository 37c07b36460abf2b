"""Physical Layer capabilities: what equalization reached and which lanes saw errors. Base Specification 6.x, 7.7."""

import msgspec

from probe.registers.link import LinkStatus2
from probe.registers.table_language import (
    HWINIT,
    RO,
    RW,
    RW1C,
    Field,
    Register,
    Structure,
    coded,
    flag,
    hexadecimal,
    number,
)
from probe.registers.values import LANE_MASK, LANES


class LinkControl3(
    Register, name="Link Control 3", offset=0x04, size=4, section="7.7.3.2", reserved=((31, 16), (8, 2))
):
    enable_lower_skp_os_generation_vector = hexadecimal("Enable Lower SKP OS Generation Vector", 15, 9, RW)
    link_equalization_request_interrupt_enable = flag("Link Equalization Request Interrupt Enable", 1)
    perform_equalization = flag("Perform Equalization", 0)


class LaneErrorStatus(Register, name="Lane Error Status", offset=0x08, size=4, section="7.7.3.3"):
    lanes = coded("Lane Error Status", 31, 0, RW1C, LANE_MASK)


class LaneEqualizationControl(
    Register,
    name="Lane Equalization Control",
    offset=0x0C,
    size=2,
    section="7.7.3.4",
    reserved=((15, 15), (7, 7)),
    count=LANES,
    stride=2,
    routine=False,
):
    upstream_port_8_receiver_preset_hint = number("Upstream Port 8.0 GT/s Receiver Preset Hint", 14, 12, HWINIT)
    upstream_port_8_transmitter_preset = number("Upstream Port 8.0 GT/s Transmitter Preset", 11, 8, HWINIT)
    downstream_port_8_receiver_preset_hint = number("Downstream Port 8.0 GT/s Receiver Preset Hint", 6, 4, HWINIT)
    downstream_port_8_transmitter_preset = number("Downstream Port 8.0 GT/s Transmitter Preset", 3, 0, HWINIT)


SECONDARY_PCI_EXPRESS = Structure(
    "Secondary PCI Express", 0x0019, extended=True, registers=(LinkControl3, LaneErrorStatus, LaneEqualizationControl)
)


class DataLinkFeatureCapabilities(
    Register, name="Data Link Feature Capabilities", offset=0x04, size=4, section="7.7.4.2", reserved=((30, 23),)
):
    data_link_feature_exchange_enable = flag("Data Link Feature Exchange Enable", 31, HWINIT)
    local_data_link_features = hexadecimal("Local Data Link Features", 22, 1, HWINIT)
    local_scaled_flow_control_supported = flag("Local Scaled Flow Control Supported", 0, HWINIT)


class DataLinkFeatureStatus(
    Register, name="Data Link Feature Status", offset=0x08, size=4, section="7.7.4.3", reserved=((30, 23),)
):
    remote_data_link_feature_supported_valid = flag("Remote Data Link Feature Supported Valid", 31, RO)
    remote_data_link_feature_supported = hexadecimal("Remote Data Link Feature Supported", 22, 0, RO)


DATA_LINK_FEATURE = Structure(
    "Data Link Feature", 0x0025, extended=True, registers=(DataLinkFeatureCapabilities, DataLinkFeatureStatus)
)


class _Equalization:
    link_equalization_request = flag("Link Equalization Request {} GT/s", 4, RW1C)
    equalization_phase_3_successful = flag("Equalization {} GT/s Phase 3 Successful", 3, RO)
    equalization_phase_2_successful = flag("Equalization {} GT/s Phase 2 Successful", 2, RO)
    equalization_phase_1_successful = flag("Equalization {} GT/s Phase 1 Successful", 1, RO)
    equalization_complete = flag("Equalization {} GT/s Complete", 0, RO)


class _LanePresets:
    upstream_port_transmitter_preset = number("Upstream Port {} GT/s Transmitter Preset", 7, 4, HWINIT)
    downstream_port_transmitter_preset = number("Downstream Port {} GT/s Transmitter Preset", 3, 0, HWINIT)


class Capabilities16(
    Register, name="16.0 GT/s Capabilities", offset=0x04, size=4, section="7.7.5.2", reserved=((31, 0),), routine=False
): ...


class Control16(
    Register, name="16.0 GT/s Control", offset=0x08, size=4, section="7.7.5.3", reserved=((31, 0),), routine=False
): ...


class Status16(
    _Equalization,
    Register,
    fill="16.0",
    name="16.0 GT/s Status",
    offset=0x0C,
    size=4,
    section="7.7.5.4",
    reserved=((31, 5),),
): ...


class LocalDataParity(
    Register, name="16.0 GT/s Local Data Parity Mismatch Status", offset=0x10, size=4, section="7.7.5.5"
):
    lanes = coded("16.0 GT/s Local Data Parity Mismatch Status", 31, 0, RW1C, LANE_MASK)


class FirstRetimerDataParity(
    Register, name="16.0 GT/s First Retimer Data Parity Mismatch Status", offset=0x14, size=4, section="7.7.5.6"
):
    lanes = coded("16.0 GT/s First Retimer Data Parity Mismatch Status", 31, 0, RW1C, LANE_MASK)


class SecondRetimerDataParity(
    Register, name="16.0 GT/s Second Retimer Data Parity Mismatch Status", offset=0x18, size=4, section="7.7.5.7"
):
    lanes = coded("16.0 GT/s Second Retimer Data Parity Mismatch Status", 31, 0, RW1C, LANE_MASK)


class LanePresets16(
    _LanePresets,
    Register,
    fill="16.0",
    name="16.0 GT/s Lane Equalization Control",
    offset=0x20,
    size=1,
    section="7.7.5.8",
    count=LANES,
    stride=1,
    routine=False,
): ...


PHYSICAL_LAYER_16 = Structure("Physical Layer 16.0 GT/s", 0x0026, extended=True, registers=(
    Capabilities16, Control16, Status16, LocalDataParity, FirstRetimerDataParity, SecondRetimerDataParity,
    LanePresets16,
))  # fmt: skip


class Capabilities32(
    Register, name="32.0 GT/s Capabilities", offset=0x04, size=4, section="7.7.6.2", reserved=((31, 16), (7, 2))
):
    modified_ts_reserved_usage_modes = hexadecimal("Modified TS Reserved Usage Modes", 15, 11, RO)
    modified_ts_usage_mode_2_supported_alternate_protocol = flag(
        "Modified TS Usage Mode 2 Supported - Alternate Protocol", 10, HWINIT
    )
    modified_ts_usage_mode_1_supported_training_set_message = flag(
        "Modified TS Usage Mode 1 Supported - Training Set Message", 9, HWINIT
    )
    modified_ts_usage_mode_0_supported_pci_express = flag("Modified TS Usage Mode 0 Supported - PCI Express", 8, RO)
    no_equalization_needed_supported = flag("No Equalization Needed Supported", 1, HWINIT)
    equalization_bypass_to_highest_rate_supported = flag("Equalization bypass to highest rate Supported", 0, HWINIT)


class Control32(
    Register, name="32.0 GT/s Control", offset=0x08, size=4, section="7.7.6.3", reserved=((31, 11), (7, 2))
):
    modified_ts_usage_mode_selected = number("Modified TS Usage Mode Selected", 10, 8, RW)
    no_equalization_needed_disable = flag("No Equalization Needed Disable", 1)
    equalization_bypass_to_highest_rate_disable = flag("Equalization bypass to highest rate Disable", 0)


class Status32(
    _Equalization,
    Register,
    fill="32.0",
    name="32.0 GT/s Status",
    offset=0x0C,
    size=4,
    section="7.7.6.4",
    reserved=((31, 11),),
):
    no_equalization_needed_received = flag("No Equalization Needed Received", 10, RO)
    transmitter_precoding_request = flag("Transmitter Precoding Request", 9, RO)
    transmitter_precoding_on = flag("Transmitter Precoding On", 8, RO)
    received_enhanced_link_behavior_control = number("Received Enhanced Link Behavior Control", 7, 6, RO)
    modified_ts_received = flag("Modified TS Received", 5, RO)


class LanePresets32(
    _LanePresets,
    Register,
    fill="32.0",
    name="32.0 GT/s Lane Equalization Control",
    offset=0x20,
    size=1,
    section="7.7.6.9",
    count=LANES,
    stride=1,
    routine=False,
): ...


PHYSICAL_LAYER_32 = Structure(
    "Physical Layer 32.0 GT/s", 0x002A, extended=True, registers=(Capabilities32, Control32, Status32, LanePresets32)
)


class Capabilities64(
    Register, name="64.0 GT/s Capabilities", offset=0x04, size=4, section="7.7.7.2", reserved=((31, 0),), routine=False
): ...


class Control64(
    Register, name="64.0 GT/s Control", offset=0x08, size=4, section="7.7.7.3", reserved=((31, 0),), routine=False
): ...


# Where the lane presets of 64 GT/s stand is given differently by EDK II (10h) and Linux 6.18 (20h): neither is decoded.
class Status64(
    _Equalization,
    Register,
    fill="64.0",
    name="64.0 GT/s Status",
    offset=0x0C,
    size=4,
    section="7.7.7.4",
    reserved=((31, 8),),
):
    no_equalization_needed_received = flag("No Equalization Needed Received", 7, RO)
    transmitter_precoding_request = flag("Transmitter Precoding Request", 6, RO)
    transmitter_precoding_on = flag("Transmitter Precoding On", 5, RO)


PHYSICAL_LAYER_64 = Structure(
    "Physical Layer 64.0 GT/s", 0x0031, extended=True, registers=(Capabilities64, Control64, Status64)
)


NO_EQUALIZATION_NEEDED = (Status32.no_equalization_needed_received, Status64.no_equalization_needed_received)
"""Set where the partner said that it needs none."""


class Equalization(msgspec.Struct, frozen=True):
    """What equalization at one rate (GT/s) says of itself."""

    rate_gts: float
    complete: Field[bool]
    phases: tuple[Field[bool], Field[bool], Field[bool]]


EQUALIZATIONS = (
    Equalization(8.0, LinkStatus2.equalization_8_complete, (
        LinkStatus2.equalization_8_phase_1_successful, LinkStatus2.equalization_8_phase_2_successful,
        LinkStatus2.equalization_8_phase_3_successful,
    )),
    *(
        Equalization(rate, status.equalization_complete, (
            status.equalization_phase_1_successful, status.equalization_phase_2_successful,
            status.equalization_phase_3_successful,
        ))
        for rate, status in ((16.0, Status16), (32.0, Status32), (64.0, Status64))
    ),
)  # fmt: skip
"""By rate, ascending."""
