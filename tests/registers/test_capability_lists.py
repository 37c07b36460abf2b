"""The walk over both capability lists, held to the rules of the kernel's own (drivers/pci/pci.c, pci.h)."""

from collections.abc import Mapping

import pytest

from probe.registers.errors import CorrectableErrorStatus
from probe.registers.express import PCI_EXPRESS
from probe.registers.link import LinkStatus
from probe.registers.space import (
    CLASSIC_STEPS,
    ConfigSpace,
    classic_header,
    extended_header,
    looks_like_header,
    walk,
)

HAS_LIST = 0x0010_0000  # PCI_STATUS_CAP_LIST, in the upper half of the dword at 04h
EXPRESS, POWER, UNKNOWN = 0x10, 0x01, 0x3F
AER, SERIAL, UNKNOWN_EXTENDED = 0x0001, 0x0003, 0xFFF0


def listed(first: int, words: Mapping[int, int]) -> dict[int, int]:
    return {0x00: 0x0001_1234, 0x04: HAS_LIST, 0x34: first, **words}


def met(words: Mapping[int, int]) -> list[tuple[int, int]]:
    return [(item.id, item.offset) for item in walk(words.get).found]


def faults(words: Mapping[int, int]) -> tuple[str, ...]:
    return walk(words.get).faults


def test_capabilities_after_an_unknown_one_are_met() -> None:
    words = listed(0x40, {
        0x40: classic_header(UNKNOWN, 0x50), 0x50: classic_header(EXPRESS, 0x60), 0x60: classic_header(POWER, 0),
        0x100: extended_header(UNKNOWN_EXTENDED, 0x140), 0x140: extended_header(AER, 0x200),
        0x200: extended_header(SERIAL, 0),
    })  # fmt: skip
    assert met(words) == [
        (UNKNOWN, 0x40), (EXPRESS, 0x50), (POWER, 0x60), (UNKNOWN_EXTENDED, 0x100), (AER, 0x140), (SERIAL, 0x200),
    ]  # fmt: skip
    assert faults(words) == ()


def test_the_lowest_two_bits_of_a_pointer_are_reserved() -> None:
    """Base Specification: reserved, software masks them. Linux `__pci_find_next_cap_ttl`: `pos &= ~3`."""
    words = listed(0x43, {0x40: classic_header(POWER, 0x53), 0x50: classic_header(EXPRESS, 0)})
    assert met(words) == [(POWER, 0x40), (EXPRESS, 0x50)]


def test_no_list_where_status_says_that_there_is_none() -> None:
    assert met({**listed(0x40, {0x40: classic_header(POWER, 0)}), 0x04: 0}) == []


@pytest.mark.parametrize("absent", [0x04, 0x34])
def test_no_list_where_its_start_was_not_read(absent: int) -> None:
    words = listed(0x40, {0x40: classic_header(POWER, 0)})
    del words[absent]
    assert (met(words), faults(words)) == ([], ())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (listed(0x3C, {}), "the capability list points outside its space, to 0x3c"),
        (listed(0x40, {0x40: classic_header(POWER, 0x40)}), "the capability list loops back to 0x40"),
        (listed(0x40, {}), "the capability list leads to 0x40, which could not be read"),
        (listed(0x40, {0x40: 0x0000_5000}), "the capability list ends early: no capability at 0x40"),
        (listed(0x40, {0x40: 0xFFFF_FFFF}), "the capability list ends early: no capability at 0x40"),
    ],
)
def test_a_broken_classic_list(words: dict[int, int], told: str) -> None:
    assert faults(words) == (told,)


@pytest.mark.published("Linux drivers/pci/pci.h, PCI_FIND_CAP_TTL: at most 48 capabilities fit")
def test_a_list_of_all_that_fits() -> None:
    assert CLASSIC_STEPS == 48
    offsets = [0x40 + 4 * index for index in range(48)]
    full = {at: classic_header(POWER, at + 4) for at in offsets}
    assert len(met(listed(0x40, {**full, offsets[-1]: classic_header(POWER, 0)}))) == 48


def with_extended(words: Mapping[int, int]) -> dict[int, int]:
    return listed(0x40, {0x40: classic_header(EXPRESS, 0), **words})


def test_extended_space_belongs_to_pci_express_alone() -> None:
    words = listed(0x40, {0x40: classic_header(POWER, 0), 0x100: extended_header(AER, 0)})
    assert met(words) == [(POWER, 0x40)]


@pytest.mark.parametrize("first", [0, 0xFFFF_FFFF, 0x0001_1234])
def test_extended_space_that_is_not_there(first: int) -> None:
    """Zero and all ones: none. The first dword of the header again: an alias (kernel pci_ext_cfg_is_aliased)."""
    words = with_extended({0x100: first})
    assert (met(words), faults(words)) == ([(EXPRESS, 0x40)], ())


def test_version_of_an_extended_capability() -> None:
    words = with_extended({0x100: extended_header(AER, 0, version=2)})
    assert [item.version for item in walk(words.get).found] == [0, 2]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ({0x100: extended_header(AER, 0x100)}, "the extended capability list loops back to 0x100"),
        ({0x100: extended_header(AER, 0x80)}, "the extended capability list points outside its space, to 0x080"),
        ({0x100: extended_header(AER, 0x200)}, "the extended capability list ends early: no capability at 0x200"),
        (
            {0x100: extended_header(AER, 0x200), 0x200: 0},
            "the extended capability list ends early: no capability at 0x200",
        ),
        (
            {
                0x100: extended_header(AER, 0x300),
                0x300: extended_header(SERIAL, 0x200),
                0x200: extended_header(UNKNOWN_EXTENDED, 0),
            },
            "the extended capability list runs backwards, from 0x300 to 0x200",
        ),
    ],
)
def test_a_broken_extended_list(words: dict[int, int], told: str) -> None:
    assert faults(with_extended(words)) == (told,)


def test_a_list_that_runs_backwards_is_followed() -> None:
    words = with_extended({0x100: extended_header(AER, 0x300), 0x300: extended_header(SERIAL, 0x200),
                           0x200: extended_header(UNKNOWN_EXTENDED, 0)})  # fmt: skip
    assert met(words)[1:] == [(AER, 0x100), (SERIAL, 0x300), (UNKNOWN_EXTENDED, 0x200)]


def test_of_two_of_a_kind_the_first_counts() -> None:
    words = with_extended({
        0x100: extended_header(AER, 0x180), 0x180: extended_header(AER, 0), 0x110: 0x0000_0001, 0x190: 0x0000_0040,
    })  # fmt: skip
    assert ConfigSpace(words).register(CorrectableErrorStatus) == 1


def test_what_was_not_read_of_a_list_is_told_as_cut() -> None:
    whole = with_extended({0x100: extended_header(AER, 0x180), 0x180: extended_header(SERIAL, 0)})
    assert not ConfigSpace(whole).extended_list_cut
    cut = {at: word for at, word in whole.items() if at != 0x180}
    assert ConfigSpace(cut).extended_list_cut
    only_header = {at: word for at, word in whole.items() if at < 0x100}
    assert not ConfigSpace(only_header).extended_list_cut


HEADER = bytes.fromhex("3412 0100 0600 1000 00020801 00000000") + bytes(0x24) + b"\x40" + bytes(11)


def test_what_looks_like_a_header() -> None:
    assert len(HEADER) == 0x40
    assert looks_like_header(HEADER)
    assert not looks_like_header(HEADER[:-1])
    assert not looks_like_header(bytes(0x40))
    assert not looks_like_header(b"\xff" * 0x40)
    assert not looks_like_header(HEADER[:0x0E] + b"\x03" + HEADER[0x0F:])
    assert looks_like_header(HEADER[:0x0E] + b"\x81" + HEADER[0x0F:])
    assert not looks_like_header(HEADER[:0x34] + b"\x3c" + HEADER[0x35:])
    assert not looks_like_header(HEADER[:0x34] + b"\x41" + HEADER[0x35:])
    assert not looks_like_header(HEADER[:0x35] + b"\x01" + HEADER[0x36:])
    no_list = HEADER[:0x06] + b"\x00" + HEADER[0x07:]
    assert not looks_like_header(no_list)
    assert looks_like_header(no_list[:0x34] + b"\x00" + no_list[0x35:])


def test_registers_within_a_dword() -> None:
    """Link Status is the upper half of the dword at 10h of the PCI Express Capability (kernel PCI_EXP_LNKSTA, 12h)."""
    words = with_extended({0x40: classic_header(EXPRESS, 0) | 0x0002_0000, 0x50: 0x1043_0040})
    space = ConfigSpace(words)
    assert space.find(PCI_EXPRESS) is not None
    assert space.place(LinkStatus) == (0x52, 0x1043)
    assert space.value(LinkStatus.current_link_speed) == 8.0
    assert space.value(LinkStatus.negotiated_link_width) == 4


def test_all_ones_and_absence_are_no_values() -> None:
    words = with_extended({0x40: classic_header(EXPRESS, 0) | 0x0002_0000, 0x50: 0xFFFF_0040})
    assert ConfigSpace(words).register(LinkStatus) is None
    del words[0x50]
    assert ConfigSpace(words).register(LinkStatus) is None


def test_a_silent_function() -> None:
    assert ConfigSpace({0: 0xFFFF_FFFF, 8: 0xFFFF_FFFF}).silent
    assert ConfigSpace({0: 0xFFFF_FFFF, 8: 0xFFFF_FFFF}).class_code is None
    assert not ConfigSpace({0: 0xFFFF_1234}).silent


def test_a_dump_that_ends_within_a_dword() -> None:
    assert ConfigSpace.from_bytes(bytes(range(7))).words == {0: 0x0302_0100}
    assert ConfigSpace.from_image({0: 1, 1: 2, 2: 3, 3: 4, 4: 5, 6: 7}).words == {0: 0x0403_0201}
