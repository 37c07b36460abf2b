"""Raw register values that vendors print, with what they say of them."""

import pytest

from probe.registers import errors
from probe.registers.device import (
    TIMEOUT_RANGES,
    DeviceCapabilities,
    DeviceCapabilities2,
    DeviceControl,
    DeviceControl2,
    DeviceStatus,
    ExpressCapabilities,
)
from probe.registers.errors import UncorrectableErrorSeverity, errors_in
from probe.registers.link import LinkCapabilities, LinkStatus
from probe.registers.margining import MarginingLaneControl
from probe.registers.physical import LaneEqualizationControl, Status32
from probe.registers.space import ConfigSpace, walk
from probe.registers.table_language import Register

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
        pytest.param(LinkCapabilities, 0x00423C45, {
            "Max Link Speed": "32 GT/s", "Maximum Link Width": "4 lanes", "ASPM Support": "L0s and L1",
            "L0s Exit Latency": "up to 512 ns", "L1 Exit Latency": "up to 16 us", "ASPM Optionality Compliance": "set",
            "Port Number": "0",
        }, marks=INTEL),
        pytest.param(LinkCapabilities, 0x00423D05, {"Maximum Link Width": "16 lanes"}, marks=INTEL),
        pytest.param(LinkCapabilities, 0x00423C85, {"Maximum Link Width": "8 lanes"}, marks=INTEL),
        pytest.param(LinkStatus, 0x1011, {
            "Current Link Speed": "2.5 GT/s", "Negotiated Link Width": "1 lane", "Slot Clock Configuration": "set",
            "Data Link Layer Link Active": "clear",
        }, marks=INTEL),
        pytest.param(DeviceCapabilities, 0x10008FE2, {
            "Max_Payload_Size Supported": "512 bytes", "Extended Tag Field Supported": "set",
            "Endpoint L0s Acceptable Latency": "over 4 us", "Endpoint L1 Acceptable Latency": "over 64 us",
            "Role-Based Error Reporting": "set", "Function Level Reset Capability": "set",
        }, marks=INTEL),
        pytest.param(DeviceControl, 0x2910, {
            "Enable Relaxed Ordering": "set", "Max_Payload_Size": "128 bytes", "Extended Tag Field Enable": "set",
            "Enable No Snoop": "set", "Max_Read_Request_Size": "512 bytes",
        }, marks=INTEL),
        pytest.param(DeviceStatus, 0x0010, {"AUX Power Detected": "set"}, marks=INTEL),
        pytest.param(LaneEqualizationControl, 0x7400, {
            "Downstream Port 8.0 GT/s Transmitter Preset": "0", "Downstream Port 8.0 GT/s Receiver Preset Hint": "0",
            "Upstream Port 8.0 GT/s Transmitter Preset": "4", "Upstream Port 8.0 GT/s Receiver Preset Hint": "7",
        }, marks=INTEL),
        pytest.param(MarginingLaneControl, 0x9C38, {
            "Receiver Number": "broadcast", "Margin Type": "no command or capability access", "Usage Model": "0",
            "Margin Payload": "0x9c",
        }, marks=INTEL),
        pytest.param(Status32, 0x0200, {"Transmitter Precoding Request": "set"}, marks=INTEL),
    ],
)  # fmt: skip
def test_fields(register: type[Register], raw: int, expected: dict[str, str]) -> None:
    assert {field.name: field.text(raw) for field in register.fields if field.name in expected} == expected


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

    assert space.value(ExpressCapabilities.capability_version) == 2
    assert space.value(ExpressCapabilities.device_port_type) == "Endpoint"
    assert space.value(DeviceCapabilities.max_payload_size_supported) == 512
    assert space.value(DeviceCapabilities.role_based_error_reporting) is True
    assert space.value(DeviceControl.max_payload_size) == 128
    assert space.value(DeviceControl.max_read_request_size) == 256
    assert space.value(DeviceStatus.correctable_error_detected) is True
    assert space.value(DeviceStatus.non_fatal_error_detected) is True
    assert space.value(DeviceStatus.unsupported_request_detected) is True
    assert space.value(LinkCapabilities.max_link_speed) == 5.0
    assert space.value(LinkCapabilities.maximum_link_width) == 8
    assert space.value(LinkStatus.current_link_speed) == 5.0
    assert space.value(LinkStatus.negotiated_link_width) == 8


@pytest.mark.published(
    "TI SLLSE76Q and QEMU pcie_regs.h: severity out of reset is 00462030h, bits 4, 5, 13, 17, 18, 22"
)
def test_default_severity() -> None:
    fatal = {bit for bit in range(32) if errors.SEVERITY_DEFAULT >> bit & 1}
    assert fatal == {4, 5, 13, 17, 18, 22}
    names = errors_in(UncorrectableErrorSeverity, errors.SEVERITY_DEFAULT)
    assert {"Data Link Protocol Error", "Surprise Down Error", "Malformed TLP"} <= set(names)


# What Intel's 10 Gigabit parts call each Completion Timeout Value. It lies within the specification's own span of it.
IXGBE = {
    0x0: (16e-3, 32e-3), 0x1: (50e-6, 100e-6), 0x2: (1e-3, 2e-3), 0x5: (16e-3, 32e-3), 0x6: (65e-3, 130e-3),
    0x9: (260e-3, 520e-3), 0xA: (1, 2), 0xD: (4, 8), 0xE: (17, 34),
}  # fmt: skip


def seconds(span: str) -> tuple[float, float]:
    units = {"us": 1e6, "ms": 1e3, "s": 1.0}
    low, high = (float(number) / units[unit] for number, unit in (part.split() for part in span.split(" to ")))
    return low, high


@pytest.mark.published("Linux drivers/net/ethernet/intel/ixgbe/ixgbe_type.h, IXGBE_PCIDEVCTRL2_*")
@pytest.mark.parametrize("raw", range(16))
def test_completion_timeout_values(raw: int) -> None:
    span = DeviceControl2.completion_timeout_value.decode(raw)
    assert (span is None) == (raw not in IXGBE)
    if span is not None:
        low, high = seconds(span)
        assert low <= IXGBE[raw][0] < IXGBE[raw][1] <= high


@pytest.mark.published("EDK II PciBusDxe: bit value >> 2 of Completion Timeout Ranges is the range that holds a value")
def test_completion_timeout_ranges() -> None:
    field = DeviceCapabilities2.completion_timeout_ranges_supported
    for raw in range(16):
        letters = field.decode(raw)
        if letters is not None:
            assert letters == tuple(letter for index, letter in enumerate("ABCD") if raw >> index & 1)
    for raw in (value for value in IXGBE if value):
        low, high = seconds(DeviceControl2.completion_timeout_value.decode(raw) or "")
        widest = seconds(TIMEOUT_RANGES["ABCD"[raw >> 2]])
        assert widest[0] <= low < high <= widest[1]
