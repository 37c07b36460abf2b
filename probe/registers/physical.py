"""Physical Layer capabilities: what equalization reached and which lanes saw errors. Base Specification 6.x, 7.7."""

from probe.registers.model import HEX, HWINIT, RO, RW, RW1C, Field, Register, Structure, flag, names, reserved

LANES = 32


def _lane_mask(name: str, offset: int, section: str) -> Register:
    return Register(name, offset, 4, section, (Field(name, 31, 0, RW1C, HEX),))


LINK_CONTROL_3 = Register("Link Control 3", 0x04, 4, "7.7.3.2", (
    reserved(31, 16),
    Field("Enable Lower SKP OS Generation Vector", 15, 9, RW, HEX),
    reserved(8, 2),
    flag("Link Equalization Request Interrupt Enable", 1),
    flag("Perform Equalization", 0),
))  # fmt: skip
LANE_ERROR_STATUS = _lane_mask("Lane Error Status", 0x08, "7.7.3.3")
LANE_EQUALIZATION = Register("Lane Equalization Control", 0x0C, 2, "7.7.3.4", (
    reserved(15),
    Field("Upstream Port 8.0 GT/s Receiver Preset Hint", 14, 12, HWINIT),
    Field("Upstream Port 8.0 GT/s Transmitter Preset", 11, 8, HWINIT),
    reserved(7),
    Field("Downstream Port 8.0 GT/s Receiver Preset Hint", 6, 4, HWINIT),
    Field("Downstream Port 8.0 GT/s Transmitter Preset", 3, 0, HWINIT),
), count=LANES, stride=2, routine=False)  # fmt: skip
SECONDARY_PCI_EXPRESS = Structure(
    "Secondary PCI Express", 0x0019, extended=True, registers=(LINK_CONTROL_3, LANE_ERROR_STATUS, LANE_EQUALIZATION)
)

FEATURE_CAPABILITIES = Register("Data Link Feature Capabilities", 0x04, 4, "7.7.4.2", (
    flag("Data Link Feature Exchange Enable", 31, HWINIT),
    reserved(30, 23),
    Field("Local Data Link Features", 22, 1, HWINIT, HEX),
    flag("Local Scaled Flow Control Supported", 0, HWINIT),
))  # fmt: skip
FEATURE_STATUS = Register("Data Link Feature Status", 0x08, 4, "7.7.4.3", (
    flag("Remote Data Link Feature Supported Valid", 31, RO),
    reserved(30, 23),
    Field("Remote Data Link Feature Supported", 22, 0, RO, HEX),
))  # fmt: skip
DATA_LINK_FEATURE = Structure(
    "Data Link Feature", 0x0025, extended=True, registers=(FEATURE_CAPABILITIES, FEATURE_STATUS)
)


def _equalization(rate: str) -> tuple[Field, ...]:
    return (
        flag(f"Link Equalization Request {rate} GT/s", 4, RW1C),
        flag(f"Equalization {rate} GT/s Phase 3 Successful", 3, RO),
        flag(f"Equalization {rate} GT/s Phase 2 Successful", 2, RO),
        flag(f"Equalization {rate} GT/s Phase 1 Successful", 1, RO),
        flag(f"Equalization {rate} GT/s Complete", 0, RO),
    )


def _presets(rate: str, offset: int, section: str) -> Register:
    return Register(f"{rate} GT/s Lane Equalization Control", offset, 1, section, (
        Field(f"Upstream Port {rate} GT/s Transmitter Preset", 7, 4, HWINIT),
        Field(f"Downstream Port {rate} GT/s Transmitter Preset", 3, 0, HWINIT),
    ), count=LANES, stride=1, routine=False)  # fmt: skip


STATUS_16 = Register("16.0 GT/s Status", 0x0C, 4, "7.7.5.4", (reserved(31, 5), *_equalization("16.0")))
LOCAL_PARITY = _lane_mask("16.0 GT/s Local Data Parity Mismatch Status", 0x10, "7.7.5.5")
FIRST_RETIMER_PARITY = _lane_mask("16.0 GT/s First Retimer Data Parity Mismatch Status", 0x14, "7.7.5.6")
SECOND_RETIMER_PARITY = _lane_mask("16.0 GT/s Second Retimer Data Parity Mismatch Status", 0x18, "7.7.5.7")
PHYSICAL_LAYER_16 = Structure("Physical Layer 16.0 GT/s", 0x0026, extended=True, registers=(
    Register("16.0 GT/s Capabilities", 0x04, 4, "7.7.5.2", (reserved(31, 0),), routine=False),
    Register("16.0 GT/s Control", 0x08, 4, "7.7.5.3", (reserved(31, 0),), routine=False),
    STATUS_16, LOCAL_PARITY, FIRST_RETIMER_PARITY, SECOND_RETIMER_PARITY, _presets("16.0", 0x20, "7.7.5.8"),
))  # fmt: skip

STATUS_32 = Register("32.0 GT/s Status", 0x0C, 4, "7.7.6.4", (
    reserved(31, 11),
    flag("No Equalization Needed Received", 10, RO),
    flag("Transmitter Precoding Request", 9, RO),
    flag("Transmitter Precoding On", 8, RO),
    Field("Received Enhanced Link Behavior Control", 7, 6, RO),
    flag("Modified TS Received", 5, RO),
    *_equalization("32.0"),
))  # fmt: skip
PHYSICAL_LAYER_32 = Structure("Physical Layer 32.0 GT/s", 0x002A, extended=True, registers=(
    Register("32.0 GT/s Capabilities", 0x04, 4, "7.7.6.2", (
        reserved(31, 16),
        Field("Modified TS Reserved Usage Modes", 15, 11, RO, HEX),
        flag("Modified TS Usage Mode 2 Supported - Alternate Protocol", 10, HWINIT),
        flag("Modified TS Usage Mode 1 Supported - Training Set Message", 9, HWINIT),
        flag("Modified TS Usage Mode 0 Supported - PCI Express", 8, RO),
        reserved(7, 2),
        flag("No Equalization Needed Supported", 1, HWINIT),
        flag("Equalization bypass to highest rate Supported", 0, HWINIT),
    )),
    Register("32.0 GT/s Control", 0x08, 4, "7.7.6.3", (
        reserved(31, 11),
        Field("Modified TS Usage Mode Selected", 10, 8, RW),
        reserved(7, 2),
        flag("No Equalization Needed Disable", 1),
        flag("Equalization bypass to highest rate Disable", 0),
    )),
    STATUS_32, _presets("32.0", 0x20, "7.7.6.9"),
))  # fmt: skip

# Where the lane presets of 64 GT/s stand is given differently by EDK II (10h) and Linux 6.18 (20h): neither is decoded.
STATUS_64 = Register("64.0 GT/s Status", 0x0C, 4, "7.7.7.4", (
    reserved(31, 8),
    flag("No Equalization Needed Received", 7, RO),
    flag("Transmitter Precoding Request", 6, RO),
    flag("Transmitter Precoding On", 5, RO),
    *_equalization("64.0"),
))  # fmt: skip
PHYSICAL_LAYER_64 = Structure("Physical Layer 64.0 GT/s", 0x0031, extended=True, registers=(
    Register("64.0 GT/s Capabilities", 0x04, 4, "7.7.7.2", (reserved(31, 0),), routine=False),
    Register("64.0 GT/s Control", 0x08, 4, "7.7.7.3", (reserved(31, 0),), routine=False),
    STATUS_64,
))  # fmt: skip

_RECEIVER = names({
    0: "broadcast", 1: "Downstream Port Rx(A)", 2: "retimer Rx(B)", 3: "retimer Rx(C)", 4: "retimer Rx(D)",
    5: "retimer Rx(E)", 6: "Upstream Port Rx(F)",
})  # fmt: skip
_MARGIN = names(
    {7: "no command or capability access", 1: "access retimer", 2: "set", 3: "step timing", 4: "step voltage"}
)
MARGIN_CONTROL = Register("Margining Lane Control", 0x08, 2, "7.7.10.4", (
    Field("Margin Payload", 15, 8, RW, HEX),
    reserved(7),
    Field("Usage Model", 6, 6, RW),
    Field("Margin Type", 5, 3, RW, _MARGIN),
    Field("Receiver Number", 2, 0, RW, _RECEIVER),
), count=LANES, stride=4, routine=False)  # fmt: skip
MARGIN_STATUS = Register("Margining Lane Status", 0x0A, 2, "7.7.10.5", (
    Field("Margin Payload Status", 15, 8, RO, HEX),
    reserved(7),
    Field("Usage Model Status", 6, 6, RO),
    Field("Margin Type Status", 5, 3, RO, _MARGIN),
    Field("Receiver Number Status", 2, 0, RO, _RECEIVER),
), count=LANES, stride=4, routine=False)  # fmt: skip
LANE_MARGINING = Structure("Lane Margining at the Receiver", 0x0027, extended=True, registers=(
    Register("Margining Port Capabilities", 0x04, 2, "7.7.10.2", (
        reserved(15, 1), flag("Margining uses Driver Software", 0, HWINIT),
    )),
    Register("Margining Port Status", 0x06, 2, "7.7.10.3", (
        reserved(15, 2), flag("Margining Software Ready", 1, RO), flag("Margining Ready", 0, RO),
    )),
    MARGIN_CONTROL, MARGIN_STATUS,
))  # fmt: skip
