"""How a table is written: what it refuses, how a field reads and is written, which registers a function has."""

import pytest

from probe.registers.catalogue import name_of, structure_of
from probe.registers.class_code import ClassCode
from probe.registers.device import DeviceControl, ExpressCapabilities
from probe.registers.errors import ADVANCED_ERROR_REPORTING, ROOT_ONLY, Severity, UncorrectableErrorStatus, errors_in
from probe.registers.express import PCI_EXPRESS
from probe.registers.function import serial_halves, serial_text
from probe.registers.link import LinkCapabilities2, LinkControl2, LinkStatus
from probe.registers.margining import MarginingLaneControl, MarginingLaneStatus
from probe.registers.physical import LaneErrorStatus, LanePresets16
from probe.registers.table_language import RO, RW, Register, Structure, coded, flag, names, number
from probe.registers.values import LANES, lanes_in, speed_of_vector


@pytest.mark.parametrize(
    ("high", "low", "reserved", "fault"),
    [
        (7, 4, (), "bits 0xf are unaccounted for"),
        (7, 1, (), "bits 0x1 are unaccounted for"),
        (6, 0, (), "bits 0x80 are unaccounted for"),
        (7, 0, ((0, 0),), "reserved bits overlaps another field"),
        (7, 4, ((4, 0),), "reserved bits overlaps another field"),
        (3, 4, ((7, 0),), "Half overlaps another field"),
        (8, 0, (), "are unaccounted for"),
    ],
)
def test_every_bit_once(high: int, low: int, reserved: tuple[tuple[int, int], ...], fault: str) -> None:
    with pytest.raises(TypeError, match=fault):

        class _Wrong(Register, name="Wrong", offset=0, size=1, section="", reserved=reserved):
            half = number("Half", high, low, RO)


class Made(Register, name="Made", offset=0x10, size=2, section="", reserved=((15, 12),), count=3, stride=4):
    kind = coded("Kind", 11, 10, RW, names({0: "zero", 2: "two"}))
    step = number("Step", 9, 1, RW)
    on = flag("On", 0)


MADE = Structure("Made", 0x77, extended=True, registers=(Made,))


def test_fields_stand_from_the_highest_down_and_know_their_register() -> None:
    assert [field.name for field in Made.fields] == ["Kind", "Step", "On"]
    assert all(field.register is Made for field in Made.fields)
    assert [field.mask for field in Made.fields] == [0x0C00, 0x03FE, 0x0001]
    assert (Made.all_ones, Made.no_answer) == (0xFFFF, 0xFFFF)
    assert list(Made.instances()) == [0x10, 0x14, 0x18]
    assert Made.structure is MADE
    assert MADE.existing(0) == (Made,)


def test_a_field_reads_and_is_written_back() -> None:
    raw = Made.pack({Made.kind: "two", Made.step: 0x155, Made.on: True})
    assert raw == 0x0800 | 0x155 << 1 | 1
    assert (Made.kind.decode(raw), Made.step.decode(raw), Made.on.decode(raw)) == ("two", 0x155, True)
    assert (Made.kind.text(raw), Made.step.text(raw), Made.on.text(raw), Made.on.text(0)) == (
        "two",
        "341",
        "set",
        "clear",
    )
    assert (Made.kind.decode(0x0400), Made.kind.text(0x0400)) == (None, "reserved")
    assert Made.pack({}) == 0
    assert Made.step.encode(0x1FF) == 0x03FE
    assert Made.step.encode(0) == 0


def test_what_has_no_encoding_is_refused() -> None:
    for field, value in ((Made.step, 0x200), (Made.step, -1), (Made.kind, "one"), (Made.on, 2)):
        with pytest.raises(ValueError, match=f"{field.name} has no encoding for {value!r}"):
            field.encode(value)
    with pytest.raises(KeyError):
        Made.pack({LinkStatus.current_link_speed: 8.0})


@pytest.mark.parametrize(
    ("data", "value"),
    [(b"\x34\x02", 0x0234), (b"\x00\x00", 0), (b"\xff\xff", None), (b"\xff\xfe", 0xFEFF), (b"\x34", None), (b"\1\2\3", None)],
)  # fmt: skip
def test_bytes_of_a_register(data: bytes, value: int | None) -> None:
    assert Made.unpack(data) == value


def test_all_ones_are_an_answer_where_any_number_may_stand() -> None:
    """A number that may be anything and is read only, as a serial number; not where bits are written to clear them."""

    class Serial(Register, name="Serial", offset=0, size=2, section=""):
        serial = number("Serial", 15, 0, RO)

    class Half(Register, name="Half", offset=0, size=2, section="", reserved=((15, 8),)):
        half = number("Half", 7, 0, RO)

    assert Serial.no_answer is None
    assert Serial.unpack(b"\xff\xff") == 0xFFFF
    assert Half.no_answer == 0xFFFF
    assert LaneErrorStatus.no_answer == 0xFFFF_FFFF


@pytest.mark.parametrize(("lanes", "text"), [(1, "1 lane"), (2, "2 lanes"), (16, "16 lanes")])
def test_one_of_a_unit(lanes: int, text: str) -> None:
    assert LinkStatus.negotiated_link_width.text(LinkStatus.pack({LinkStatus.negotiated_link_width: lanes})) == text


def test_a_whole_speed_is_written_without_its_point() -> None:
    assert LinkControl2.target_link_speed.text(3) == "8 GT/s"
    assert LinkControl2.target_link_speed.text(1) == "2.5 GT/s"
    vector = LinkCapabilities2.supported_link_speeds_vector
    assert vector.text(LinkCapabilities2.pack({vector: (2.5, 8.0)})) == "2.5, 8 GT/s"
    assert vector.text(0) == "none stated GT/s"


def test_lanes_and_speeds_of_masks() -> None:
    assert lanes_in(0x8000_0001) == (0, 31)
    assert lanes_in(0) == ()
    assert lanes_in((1 << LANES) - 1) == tuple(range(32))
    assert lanes_in(1 << LANES) == ()
    assert speed_of_vector(0b1) == (2.5,)
    assert speed_of_vector(0b100_0000) == (128.0,)
    assert speed_of_vector(0b111) == (2.5, 5.0, 8.0)


@pytest.mark.parametrize(("register", "first", "second", "last"), [
    (MarginingLaneControl, 0x08, 0x0C, 0x84), (MarginingLaneStatus, 0x0A, 0x0E, 0x86), (LanePresets16, 0x20, 0x21, 0x3F),
])  # fmt: skip
def test_registers_of_lanes(register: type[Register], first: int, second: int, last: int) -> None:
    at = list(register.instances())
    assert (at[0], at[1], at[-1], len(at)) == (first, second, last, 32)


TYPES = {
    "Endpoint": 0x0, "Legacy Endpoint": 0x1, "Root Port": 0x4, "Upstream Port of a Switch": 0x5, "Downstream Port of a Switch": 0x6,
    "PCI Express to PCI/PCI-X Bridge": 0x7, "PCI/PCI-X to PCI Express Bridge": 0x8, "Root Complex Integrated Endpoint": 0x9,
    "Root Complex Event Collector": 0xA,
}  # fmt: skip
NO_LINK = {"Root Complex Integrated Endpoint", "Root Complex Event Collector"}
MAY_HAVE_SLOT = {"Root Port", "Downstream Port of a Switch", "PCI/PCI-X to PCI Express Bridge"}
HAS_ROOT = {"Root Port", "Root Complex Event Collector"}


@pytest.mark.published(
    "Linux drivers/pci/access.c: pcie_cap_has_lnkctl, pcie_cap_has_sltctl, pcie_cap_has_rtctl, pcie_cap_has_lnkctl2"
)
@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize("slot", [True, False])
@pytest.mark.parametrize("kind", TYPES)
def test_which_registers_a_function_has(kind: str, *, slot: bool, version: int) -> None:
    flags = ExpressCapabilities.pack({
        ExpressCapabilities.device_port_type: kind, ExpressCapabilities.slot_implemented: slot,
        ExpressCapabilities.capability_version: version,
    })  # fmt: skip
    assert flags == TYPES[kind] << 4 | slot << 8 | version
    had = {register.name for register in PCI_EXPRESS.existing(flags)}
    link, slotted, root = kind not in NO_LINK, kind in MAY_HAVE_SLOT and slot, kind in HAS_ROOT
    for names_of, there in (
        ({"PCI Express Capabilities", "Device Capabilities", "Device Control", "Device Status"}, True),
        ({"Link Capabilities", "Link Control", "Link Status"}, link),
        ({"Slot Capabilities", "Slot Control", "Slot Status"}, slotted),
        ({"Root Capabilities", "Root Control", "Root Status"}, root),
        ({"Device Capabilities 2", "Device Control 2", "Device Status 2"}, version == 2),
        ({"Link Capabilities 2", "Link Control 2", "Link Status 2"}, version == 2 and link),
        ({"Slot Capabilities 2", "Slot Control 2", "Slot Status 2"}, version == 2 and slotted),
    ):
        assert names_of & had == (names_of if there else set())


@pytest.mark.published("Linux drivers/pci/pcie/aer.c: Root Error registers of Root Ports and Event Collectors alone")
@pytest.mark.parametrize("kind", TYPES)
def test_who_collects_errors(kind: str) -> None:
    flags = ExpressCapabilities.pack({ExpressCapabilities.device_port_type: kind})
    had = ADVANCED_ERROR_REPORTING.existing(flags)
    assert set(ROOT_ONLY) & set(had) == (set(ROOT_ONLY) if kind in HAS_ROOT else set())
    assert len(had) == 7 + 3 * (kind in HAS_ROOT)


def test_names_of_capabilities() -> None:
    assert name_of(0x10, extended=False) == "PCI Express"
    assert name_of(0x0001, extended=True) == "Advanced Error Reporting"
    assert name_of(0x11, extended=False) == "MSI-X"
    assert name_of(0x0018, extended=True) == "Latency Tolerance Reporting"
    assert name_of(0x3F, extended=False) == "capability 0x3f"
    assert name_of(0xFFF0, extended=True) == "extended capability 0xfff0"
    assert name_of(0x10, extended=True) == "Single Root I/O Virtualization"
    assert structure_of(0x10, extended=False) is PCI_EXPRESS
    assert structure_of(0x3F, extended=False) is None


def test_class_codes() -> None:
    """The kernel prints 010802h for NVMe (PCI_CLASS_STORAGE_EXPRESS), base class first."""
    code = ClassCode.of(0x010802)
    assert code == (0x01, 0x08, 0x02)
    assert (code.kind, int(code)) == ((0x01, 0x08), 0x010802)
    assert int(ClassCode.of(0xFFEEDD)) == 0xFFEEDD


def test_serial_numbers() -> None:
    """Linux drivers/pci/pci-sysfs.c, serial_number_show: high byte first, each in two digits."""
    assert serial_halves(0x0123_4567_89AB_CDEF) == (0x89AB_CDEF, 0x0123_4567)
    assert serial_text(0x89AB_CDEF, 0x0123_4567) == "01-23-45-67-89-ab-cd-ef"
    assert serial_text(1, 0) == "00-00-00-00-00-00-00-01"


def test_errors_of_a_status_word() -> None:
    status = 0x0000_0010 | 1 << 18 | 1 << 7
    assert errors_in(UncorrectableErrorStatus, status) == ("Data Link Protocol Error", "bit 7", "Malformed TLP")
    assert errors_in(UncorrectableErrorStatus, status, named_only=True) == ("Data Link Protocol Error", "Malformed TLP")
    assert errors_in(UncorrectableErrorStatus, status, mask=1 << 18) == ("Data Link Protocol Error", "bit 7")
    assert errors_in(UncorrectableErrorStatus, 0) == ()
    assert errors_in(UncorrectableErrorStatus, 1 << 31) == ("TLP Translation Egress Blocked",)


def test_severities_by_badness() -> None:
    assert sorted(Severity, key=lambda item: item.badness) == ["correctable", "nonfatal", "fatal"]
    assert [item.words for item in Severity] == ["correctable", "non-fatal", "fatal"]


def test_a_value_of_another_kind_is_another_value() -> None:
    """1, 1.0 and True are equal to Python and not to a table."""
    assert DeviceControl.max_payload_size.encode(128) == 0
    assert DeviceControl.max_payload_size.encode(4096) == 5 << 5
    assert Made.on.encode(True) == 1
    assert Made.on.encode(False) == 0
