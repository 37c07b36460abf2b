"""Raw register values that vendors print, with what they say of them."""

import pytest

from probe.registers import errors, express, physical
from probe.registers.model import Register
from probe.registers.space import ConfigSpace, walk

INTEL = pytest.mark.published('Intel "PCIe register map", reset values of its FPGA blocks')


@INTEL
@pytest.mark.parametrize(
    ("raw", "capability_id", "version", "following"),
    [
        (0x1A410019, 0x19, 1, 0x1A4), (0x1B410019, 0x19, 1, 0x1B4), (0x1E410026, 0x26, 1, 0x1E4),
        (0x1CC10026, 0x26, 1, 0x1CC), (0x1F410027, 0x27, 1, 0x1F4), (0x22C10027, 0x27, 1, 0x22C),
        (0x25C1002A, 0x2A, 1, 0x25C), (0x14820001, 0x01, 2, 0x148),
    ],
)  # fmt: skip
def test_extended_headers(raw: int, capability_id: int, version: int, following: int) -> None:
    words = {0x00: 0x12348086, 0x04: 0x00100000, 0x34: 0x40, 0x40: 0x00020010, 0x100: raw, following: 0x00010003}
    found = walk(lambda offset: words.get(offset, 0)).found
    assert [(item.id, item.version, item.offset) for item in found[1:]] == [
        (capability_id, version, 0x100), (3, 1, following),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("register", "raw", "expected"),
    [
        pytest.param(express.LINK_CAPABILITIES, 0x00423C45, {
            "Max Link Speed": "32 GT/s", "Maximum Link Width": "4 lanes", "ASPM Support": "L0s and L1",
            "L0s Exit Latency": "up to 512 ns", "L1 Exit Latency": "up to 16 us", "ASPM Optionality Compliance": "set",
            "Port Number": "0",
        }, marks=INTEL),
        pytest.param(express.LINK_CAPABILITIES, 0x00423D05, {"Maximum Link Width": "16 lanes"}, marks=INTEL),
        pytest.param(express.LINK_CAPABILITIES, 0x00423C85, {"Maximum Link Width": "8 lanes"}, marks=INTEL),
        pytest.param(express.LINK_STATUS, 0x1011, {
            "Current Link Speed": "2.5 GT/s", "Negotiated Link Width": "1 lanes", "Slot Clock Configuration": "set",
            "Data Link Layer Link Active": "clear",
        }, marks=INTEL),
        pytest.param(express.DEVICE_CAPABILITIES, 0x10008FE2, {
            "Max_Payload_Size Supported": "512 bytes", "Extended Tag Field Supported": "set",
            "Endpoint L0s Acceptable Latency": "over 4 us", "Endpoint L1 Acceptable Latency": "over 64 us",
            "Role-Based Error Reporting": "set", "Function Level Reset Capability": "set",
        }, marks=INTEL),
        pytest.param(express.DEVICE_CONTROL, 0x2910, {
            "Enable Relaxed Ordering": "set", "Max_Payload_Size": "128 bytes", "Extended Tag Field Enable": "set",
            "Enable No Snoop": "set", "Max_Read_Request_Size": "512 bytes",
        }, marks=INTEL),
        pytest.param(express.DEVICE_STATUS, 0x0010, {"AUX Power Detected": "set"}, marks=INTEL),
        pytest.param(physical.LANE_EQUALIZATION, 0x7400, {
            "Downstream Port 8.0 GT/s Transmitter Preset": "0", "Downstream Port 8.0 GT/s Receiver Preset Hint": "0",
            "Upstream Port 8.0 GT/s Transmitter Preset": "4", "Upstream Port 8.0 GT/s Receiver Preset Hint": "7",
        }, marks=INTEL),
        pytest.param(physical.MARGIN_CONTROL, 0x9C38, {
            "Receiver Number": "broadcast", "Margin Type": "no command or capability access", "Usage Model": "0",
            "Margin Payload": "0x9c",
        }, marks=INTEL),
        pytest.param(physical.PHYSICAL_LAYER_32.registers[2], 0x0200, {"Transmitter Precoding Request": "set"}, marks=INTEL),
    ],
)  # fmt: skip
def test_fields(register: Register, raw: int, expected: dict[str, str]) -> None:
    assert {name: register[name].field.text(raw) for name in expected} == expected


@pytest.mark.published("QLogic 3100 series guide NE0154601-00 C, p. 11-6: bytes from C0h")
def test_qlogic_dump() -> None:
    dump = bytes.fromhex("10000200 02800000 00100b00 82040000 82")
    image = bytearray(0x100)
    image[0x00:0x08] = bytes.fromhex("7710 2080 0000 1000")
    image[0x34] = 0xC0
    image[0xC0 : 0xC0 + len(dump)] = dump
    image[0xD2] = 0x82
    image[0xD0] = 0
    space = ConfigSpace.from_bytes(bytes(image))

    def value(register: Register, name: str) -> object:
        return space.value(express.PCI_EXPRESS, register[name])

    assert value(express.CAPABILITIES, "Capability Version") == 2
    assert value(express.CAPABILITIES, "Device/Port Type") == "Endpoint"
    assert value(express.DEVICE_CAPABILITIES, "Max_Payload_Size Supported") == 512
    assert value(express.DEVICE_CAPABILITIES, "Role-Based Error Reporting") is True
    assert value(express.DEVICE_CONTROL, "Max_Payload_Size") == 128
    assert value(express.DEVICE_CONTROL, "Max_Read_Request_Size") == 256
    assert value(express.DEVICE_STATUS, "Correctable Error Detected") is True
    assert value(express.DEVICE_STATUS, "Non-Fatal Error Detected") is True
    assert value(express.DEVICE_STATUS, "Unsupported Request Detected") is True
    assert value(express.LINK_CAPABILITIES, "Max Link Speed") == 5.0
    assert value(express.LINK_CAPABILITIES, "Maximum Link Width") == 8
    assert value(express.LINK_STATUS, "Current Link Speed") == 5.0
    assert value(express.LINK_STATUS, "Negotiated Link Width") == 8


@pytest.mark.published(
    "TI SLLSE76Q and QEMU pcie_regs.h: severity out of reset is 00462030h, bits 4, 5, 13, 17, 18, 22"
)
def test_default_severity() -> None:
    fatal = {bit for bit in range(32) if errors.SEVERITY_DEFAULT >> bit & 1}
    assert fatal == {4, 5, 13, 17, 18, 22}
    names = {errors.UNCORRECTABLE_BITS[bit] for bit in fatal}
    assert {"Data Link Protocol Error", "Surprise Down Error", "Malformed TLP"} <= names
