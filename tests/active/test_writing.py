"""The one module that writes: what it lets through, and that nothing else gets past it. On files of a made-up machine."""

from pathlib import Path

import pytest

from fake_sysfs import card, machine, root_port
from probe.active.journal import began_now
from probe.active.permitted import (
    FILES,
    REGISTERS,
    End,
    NotPermitted,
    Place,
    RegisterBits,
    Scope,
    file_at,
    register_at,
)
from probe.active.session import session
from probe.active.steps import CannotWrite, Protocol, Read, Write
from probe.active.target import links_before, scope_of, targets
from probe.active.writing import SysfsMachine
from probe.exceptions import InputError
from probe.host.machine import read_machine
from probe.host.opening import open_source

PORT, COMPONENT = "0000:00:01.0", "0000:01:00.0"
SCOPE = Scope(
    places=(
        Place(address=PORT, end=End.PORT, express=0x40, express_flags=0x142, margining=0x200, lanes=4),
        Place(address=COMPONENT, end=End.COMPONENT, express=0x60, express_flags=0x2, margining=0x200, lanes=4),
        Place(address="0000:01:00.1", end=End.BELOW, express=0x60, express_flags=0x2),
        Place(address="0000:02:00.0", end=End.PORT, express=0x40, express_flags=0x141),
    ),
    slots=("7",),
    cooling=("cooling_device3",),
)

# Offset in the capability, size, mask: `include/uapi/linux/pci_regs.h`, PCI_EXP_LNKCTL (10h) and PCI_EXP_LNKCTL2 (30h).
# Retrain Link 0020h, ASPM 0003h, Hardware Autonomous Width Disable 0200h; Target Link Speed 000Fh, Hardware Autonomous
# Speed Disable 0020h.
PERMITTED_AT_PORT = {(0x10, 1): 0x23, (0x11, 1): 0x02, (0x30, 1): 0x2F}
PERMITTED_AT_COMPONENT = {(0x10, 1): 0x03, (0x11, 1): 0x02, (0x30, 1): 0x20}


def is_permitted(address: str, offset: int, size: int, mask: int) -> bool:
    try:
        register_at(SCOPE, address, offset, size, mask)
    except NotPermitted:
        return False
    return True


@pytest.mark.published("include/uapi/linux/pci_regs.h")
@pytest.mark.parametrize(
    ("address", "base", "expected"),
    [(PORT, 0x40, PERMITTED_AT_PORT), (COMPONENT, 0x60, PERMITTED_AT_COMPONENT), ("0000:01:00.1", 0x60, {})],
)
def test_exactly_these_bits_of_the_link_registers(
    address: str, base: int, expected: dict[tuple[int, int], int]
) -> None:
    found = {
        (offset, size): mask
        for offset in range(0x3C)
        for size in (1, 2, 4)
        if (mask := sum(1 << bit for bit in range(8 * size) if is_permitted(address, base + offset, size, 1 << bit)))
    }
    assert found == expected


def test_lane_controls_of_the_lanes_there_are_without_the_reserved_bit() -> None:
    found = {
        (offset, size)
        for offset in range(0x200, 0x240)
        for size in (1, 2, 4)
        if is_permitted(PORT, offset, size, 0xFF7F)
    }
    assert found == {(0x208 + 4 * lane, 2) for lane in range(4)}
    assert not is_permitted(PORT, 0x208, 2, 0x0080)


def test_nothing_of_a_capability_of_version_1_past_its_end() -> None:
    assert is_permitted("0000:02:00.0", 0x50, 1, 0x20)
    assert not is_permitted("0000:02:00.0", 0x70, 1, 0x0F)


def test_nothing_outside_the_scope_and_nothing_without_a_mask() -> None:
    assert not is_permitted("0000:03:00.0", 0x50, 1, 0x20)
    assert not is_permitted(PORT, 0x50, 1, 0)


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (f"bus/pci/devices/{PORT}/reset_subordinate", "1"),
        (f"bus/pci/devices/{COMPONENT}/reset", "1"),
        (f"bus/pci/devices/{COMPONENT}/reset_method", "flr bus"),
        (f"bus/pci/devices/{COMPONENT}/power/control", "on"),
        (f"bus/pci/devices/{COMPONENT}/link/l1_2_pcipm", "0"),
        ("bus/pci/slots/7/power", "0"),
        ("class/thermal/cooling_device3/cur_state", "2"),
    ],
)
def test_files_that_may_be_written(path: str, text: str) -> None:
    assert file_at(SCOPE, path, text) in FILES


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (f"bus/pci/devices/{PORT}/remove", "1"),
        (f"bus/pci/devices/{PORT}/config", "1"),
        (f"bus/pci/devices/{PORT}/reset_subordinate", "0"),
        (f"bus/pci/devices/{PORT}/power/control", "off"),
        (f"bus/pci/devices/{PORT}/../{PORT}/reset", "1"),
        ("bus/pci/devices/0000:03:00.0/reset", "1"),
        ("bus/pci/slots/8/power", "0"),
        ("bus/pci/slots/7/../8/power", "0"),
        ("bus/pci/slots/../power", "0"),
        ("class/thermal/cooling_device4/cur_state", "2"),
        ("class/thermal/cooling_device3/cur_state", "2; rm"),
        ("bus/pci/rescan", "1"),
    ],
)
def test_files_that_may_not(path: str, text: str) -> None:
    with pytest.raises(NotPermitted):
        file_at(SCOPE, path, text)


def test_link_disable_and_the_bridges_reset_bit_are_in_no_table() -> None:
    def bits(row: RegisterBits) -> set[str]:
        return {field.name for field in row.fields}

    assert set().union(*map(bits, REGISTERS)) == {
        "Retrain Link", "ASPM Control", "Hardware Autonomous Width Disable", "Target Link Speed",
        "Hardware Autonomous Speed Disable", "Receiver Number", "Margin Type", "Usage Model", "Margin Payload",
    }  # fmt: skip
    assert len(FILES) == 7


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    described = machine(root_port(PORT, "16 GT/s x8", slot=1).holds(card("16 GT/s x8")))
    return described.build().write(tmp_path / "tree")


def scope(tree: Path) -> Scope:
    return scope_of(targets(read_machine(open_source(tree)), [PORT]))


def config(tree: Path, address: str = PORT) -> bytes:
    return (tree / f"bus/pci/devices/{address}/config").read_bytes()


def test_only_the_masked_bits_of_one_byte_change(tree: Path) -> None:
    before = config(tree)
    found = scope(tree)
    place = found.place(PORT)
    assert place is not None
    assert place.express is not None
    at = place.express + 0x30

    def slow() -> Protocol[object]:
        yield Write(PORT, at, 1, 0xFF & 0xF1, 0x0F)
        return (yield Read(PORT, at, 1))

    with session(began_now("test", str(tree), None, found, ()), tree.parent / "state") as going_on:
        assert going_on.run(slow()) == (before[at] & 0xF0) | 0x01
        changed = [index for index, pair in enumerate(zip(before, config(tree), strict=True)) if pair[0] != pair[1]]
        assert changed == [at]
    assert going_on.restored
    assert config(tree) == before


def test_a_write_to_a_function_that_is_gone_is_not_made(tree: Path) -> None:
    found = scope(tree)
    path = tree / f"bus/pci/devices/{PORT}/config"
    path.write_bytes(b"\xff" * 4096)

    def train() -> Protocol[None]:
        place = found.place(PORT)
        assert place is not None
        assert place.express is not None
        yield Write(PORT, place.express + 0x10, 1, 0x20, 0x20)

    with (
        session(began_now("test", str(tree), None, found, ()), tree.parent / "state") as going_on,
        pytest.raises(CannotWrite, match="nothing answers there"),
    ):
        going_on.run(train())
    assert path.read_bytes() == b"\xff" * 4096


def test_a_tree_whose_files_are_those_of_the_live_host_is_refused(tree: Path) -> None:
    with pytest.raises(InputError, match="leave --sysfs out"):
        SysfsMachine("/sys/bus", scope(tree))
    live = next(Path("/sys/bus/pci/devices").iterdir(), None)
    if live is None:
        pytest.skip("no PCI function here")
    target = tree / f"bus/pci/devices/{PORT}/config"
    target.unlink()
    target.symlink_to(live / "config")
    with pytest.raises(InputError, match="belongs to this host's own /sys"):
        SysfsMachine(str(tree), SCOPE).read(PORT, 0x50, 1)


def test_the_journal_is_gone_when_all_is_as_it_was_and_stays_otherwise(tree: Path) -> None:
    found, state = scope(tree), tree.parent / "state"

    def slow() -> Protocol[None]:
        place = found.place(PORT)
        assert place is not None
        assert place.express is not None
        yield Write(PORT, place.express + 0x30, 1, 1, 0x0F)

    with session(began_now("test", str(tree), None, found, links_before(())), state) as going_on:
        going_on.run(slow())
        assert len(list(state.iterdir())) == 1
    assert list(state.iterdir()) == []
    path = tree / f"bus/pci/devices/{PORT}/config"
    with session(began_now("test", str(tree), None, found, ()), state) as going_on:
        going_on.run(slow())
        path.write_bytes(b"\xff" * 4096)
    assert not going_on.restored
    (item,) = going_on.leftovers or ()
    assert (item.address, item.size, item.value) == (PORT, 1, "04h")
    assert f"Link Control 2 of {PORT}" in item.sentence()
    assert len(list(state.iterdir())) == 1
