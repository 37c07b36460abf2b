"""What is read of a function, and no more: each dword stalls the bus."""

import pytest

from fake_sysfs import card, machine, root_port
from probe.registers.errors import ADVANCED_ERROR_REPORTING, HeaderLog
from probe.registers.express import PCI_EXPRESS
from probe.registers.header import BridgeControl, SubsystemId
from probe.registers.link import LinkStatus
from probe.registers.physical import LaneEqualizationControl, LaneErrorStatus
from probe.registers.space import ConfigSpace, survey
from probe.registers.values import LANE_MASK

PORT, CARD = "0000:00:01.0", "0000:01:00.0"


def image(address: str = CARD) -> dict[int, int]:
    tree = machine(root_port(PORT, "16 GT/s x16", slot=1).holds(card("16 GT/s x16"))).build()
    (data,) = (data for path, data in tree.files.items() if path.endswith(f"/{address}/config"))
    return ConfigSpace.from_bytes(data).words


def read(words: dict[int, int]) -> tuple[set[int], list[tuple[int, int]]]:
    """The single dwords and the runs that a survey asks for."""
    single: set[int] = set()
    runs: list[tuple[int, int]] = []

    def fetch(offset: int) -> int | None:
        single.add(offset)
        return words.get(offset)

    survey(fetch, lambda offset, size: runs.append((offset, size)))
    return single, runs


def test_of_a_function_that_does_not_answer_only_its_first_16_bytes_are_read() -> None:
    single, runs = read(dict.fromkeys(range(0, 0x1000, 4), 0xFFFF_FFFF))
    assert runs == [(0, 16)]
    assert single <= {0x00, 0x0C}
    single, runs = read({})
    assert runs == [(0, 16)]
    assert single == {0x0C}


def test_the_header_of_a_port_is_read_further() -> None:
    """Bus numbers at 18h and Bridge Control at 3Eh are of the type 1 header (kernel PCI_PRIMARY_BUS, PCI_BRIDGE_CONTROL)."""
    of_port, _ = read(image(PORT))
    of_card, _ = read(image(CARD))
    assert {0x18, 0x3C} <= of_port
    assert not {0x18, 0x3C} & of_card
    multi = image(PORT)
    multi[0x0C] |= 0x80 << 16  # a function of several
    assert {0x18, 0x3C} <= read(multi)[0]
    other = image(PORT)
    other[0x0C] = other[0x0C] & 0xFF00_FFFF | 2 << 16  # CardBus
    assert not {0x18, 0x3C} & read(other)[0]


@pytest.mark.parametrize("address", [PORT, CARD])
def test_every_routine_register_is_read_and_no_other(address: str) -> None:
    words = image(address)
    space = ConfigSpace(words)
    _, runs = read(words)
    covered = {at for start, size in runs for at in range(start, start + size, 4)} - set(range(0, 16, 4))
    wanted = {
        at & ~3
        for found in space.capabilities.found
        if found.structure is not None
        for register in found.structure.existing(space.express_flags)
        if register.routine
        for at in (found.offset + offset for offset in register.instances())
    }
    assert covered == wanted
    assert len(runs) == len(set(runs))
    equalization = space.offset_of(LaneEqualizationControl)
    assert equalization is not None
    assert equalization not in covered


def test_runs_do_not_touch() -> None:
    _, runs = read(image())
    ends = {start + size for start, size in runs[1:]}
    assert not ends & {start for start, _ in runs[1:]}


def test_a_header_by_its_layout() -> None:
    of_port, of_card = ConfigSpace(image(PORT)), ConfigSpace(image(CARD))
    assert BridgeControl in [register for register, _, _ in of_port.header()]
    assert SubsystemId not in [register for register, _, _ in of_port.header()]
    assert BridgeControl not in [register for register, _, _ in of_card.header()]
    found = {register: (offset, raw) for register, offset, raw in of_card.header()}
    assert found[SubsystemId] == (0x2E, image()[0x2C] >> 16)
    unknown = {**image(CARD), 0x0C: 0x007F_0000}
    assert SubsystemId in [register for register, _, _ in ConfigSpace(unknown).header()]
    del unknown[0x2C]
    assert SubsystemId not in [register for register, _, _ in ConfigSpace(unknown).header()]


def test_all_registers_decoded_with_where_they_stand() -> None:
    space = ConfigSpace(image())
    rows = list(space.decoded())
    express = space.find(PCI_EXPRESS)
    assert express is not None
    assert (express, LinkStatus, express.offset + 0x12, space.register(LinkStatus)) in rows
    errors = space.find(ADVANCED_ERROR_REPORTING)
    assert errors is not None
    logs = [at - errors.offset for found, register, at, _ in rows if register is HeaderLog and found == errors]
    assert logs == [0x1C, 0x20, 0x24, 0x28]
    cut = ConfigSpace({at: word for at, word in image().items() if at != errors.offset + 0x20})
    assert [at - errors.offset for _, register, at, _ in cut.decoded() if register is HeaderLog] == [0x1C, 0x24, 0x28]


def test_a_repetition_is_found_by_its_index() -> None:
    words = image()
    space = ConfigSpace(words)
    at = space.offset_of(HeaderLog)
    assert at is not None
    words[at], words[at + 4] = 0x1111_1111, 0x2222_2222
    assert (space.register(HeaderLog), space.register(HeaderLog, 1)) == (0x1111_1111, 0x2222_2222)
    assert space.place(HeaderLog, 1) == (at + 4, 0x2222_2222)
    assert space.value(HeaderLog.header_log, 1) == 0x2222_2222
    assert space.value(LaneErrorStatus.lanes) == ()
    assert LANE_MASK.text(0x30) == "0x30"
