"""The configuration space of one function, as far as it was read, and the walk over its capability lists.

The walk asks for one dword at a time, so the same code drives the reading of hardware and the decoding of a saved
document. Rules of the walk: kernel `drivers/pci/pci.c`, pci_find_next_ext_capability and PCI_FIND_CAP_TTL.
"""

from collections.abc import Callable, Iterator, Mapping
from functools import cached_property, lru_cache
from typing import TypeVar

import msgspec

from probe.registers.catalogue import structure_of
from probe.registers.class_code import ClassCode
from probe.registers.express import PCI_EXPRESS
from probe.registers.function import VENDOR_SPECIFIC, VendorSpecificHeader
from probe.registers.header import LAYOUTS, HeaderType
from probe.registers.table_language import Field, Register, Structure

Fetch = Callable[[int], int | None]
"""Gives the little-endian dword at an offset divisible by four, or None where it cannot be read."""

T = TypeVar("T")

CLASSIC_START = 0x40
EXTENDED_START = 0x100
SPACE_END = 0x1000
CLASSIC_STEPS = 48
ALL_ONES = 0xFFFF_FFFF


class Found(msgspec.Struct, frozen=True):
    """A capability met on the walk."""

    id: int
    extended: bool
    offset: int
    version: int = 0

    @property
    def structure(self) -> Structure | None:
        """Its table, if there is one."""
        return structure_of(self.id, extended=self.extended)


class Walk(msgspec.Struct, frozen=True):
    """The capabilities met, in list order, and what was wrong with the lists, as sentences.

    `to_the_end` says that both lists were followed to their end, so that what was not met is not there.
    """

    found: tuple[Found, ...]
    faults: tuple[str, ...]
    to_the_end: bool = False


def walk(fetch: Fetch) -> Walk:
    """Follow both capability lists. Never raises and always ends, whatever the bytes."""
    found: list[Found] = []
    faults: list[str] = []
    ended = _walk_classic(fetch, found, faults)
    if any(item.id == PCI_EXPRESS.id for item in found):
        ended = _walk_extended(fetch, found, faults) and ended
    return Walk(tuple(found), tuple(faults), ended)


def _walk_classic(fetch: Fetch, found: list[Found], faults: list[str]) -> bool:
    """Whether it came to the end of the list."""
    status, pointer_word = fetch(0x04), fetch(0x34)
    if status is None or pointer_word is None or not status >> 20 & 1:
        return status is not None and pointer_word is not None
    offset = pointer_word & 0xFC
    seen: set[int] = set()
    while offset:
        fault = _classic_fault(offset, seen)
        if fault:
            faults.append(fault)
            return False
        seen.add(offset)
        header = fetch(offset)
        if header is None:
            faults.append(f"the capability list leads to {offset:#04x}, which could not be read")
            return False
        if header & 0xFF in {0x00, 0xFF}:
            faults.append(f"the capability list ends early: no capability at {offset:#04x}")
            return False
        found.append(Found(header & 0xFF, extended=False, offset=offset))
        offset = header >> 8 & 0xFC
    return True


def _classic_fault(offset: int, seen: set[int]) -> str | None:
    if offset < CLASSIC_START:
        return f"the capability list points outside its space, to {offset:#04x}"
    if offset in seen:
        return f"the capability list loops back to {offset:#04x}"
    if len(seen) == CLASSIC_STEPS:
        return f"the capability list has more than {CLASSIC_STEPS} entries"
    return None


def _walk_extended(fetch: Fetch, found: list[Found], faults: list[str]) -> bool:
    """Whether it came to the end of the list; one that is not there has no end to come to but its first word."""
    offset = EXTENDED_START
    first = fetch(offset)
    if first in {None, 0, ALL_ONES} or first == fetch(0):
        return first not in {None, ALL_ONES}
    seen: set[int] = set()
    last = 0
    while True:
        if offset in seen:
            faults.append(f"the extended capability list loops back to {offset:#05x}")
            return False
        if offset < last:
            faults.append(f"the extended capability list runs backwards, from {last:#05x} to {offset:#05x}")
        seen.add(offset)
        last = offset
        header = fetch(offset)
        if header is None or header in {0, ALL_ONES}:
            faults.append(f"the extended capability list ends early: no capability at {offset:#05x}")
            return False
        found.append(Found(header & 0xFFFF, extended=True, offset=offset, version=header >> 16 & 0xF))
        offset = header >> 20 & 0xFFC
        if offset == 0:
            return True
        if offset < EXTENDED_START:
            faults.append(f"the extended capability list points outside its space, to {offset:#05x}")
            return False


def looks_like_header(data: bytes) -> bool:
    """Whether these bytes can be a configuration header: an identity, a known layout, a capability pointer in place."""
    if len(data) < CLASSIC_START or int.from_bytes(data[:4], "little") in {0, ALL_ONES}:
        return False
    pointer, listed = data[0x34], data[0x06] & 0x10
    known = data[0x0E] & 0x7F in {0, 1, 2} and data[0x35:0x38] == bytes(3)
    return known and (pointer >= CLASSIC_START and pointer & 3 == 0 if listed else pointer == 0)


def classic_header(capability_id: int, following: int) -> int:
    """The first word of a capability, as a builder writes it; `following` is the next one's offset, or 0."""
    return capability_id | following << 8


def extended_header(capability_id: int, following: int, *, version: int = 1) -> int:
    """The first dword of an extended capability, as a builder writes it."""
    return capability_id | version << 16 | following << 20


class ConfigSpace:
    """Configuration space as far as it was read; what was not read is None, never zero."""

    def __init__(self, words: dict[int, int]) -> None:
        self.words = words

    @classmethod
    def from_bytes(cls, data: bytes) -> "ConfigSpace":
        """The space whose first bytes these are; a last part of a dword is dropped."""
        end = min(len(data), SPACE_END) & ~3
        return cls({at: int.from_bytes(data[at : at + 4], "little") for at in range(0, end, 4)})

    @classmethod
    def from_image(cls, image: Mapping[int, int]) -> "ConfigSpace":
        """The space of these bytes by offset; a dword of which a byte is missing is absent."""
        words = {}
        for at in sorted({offset & ~3 for offset in image}):
            data = bytes(image[offset] for offset in range(at, at + 4) if offset in image)
            if len(data) == 4:  # noqa: PLR2004 - a dword
                words[at] = int.from_bytes(data, "little")
        return cls(words)

    def word(self, offset: int) -> int | None:
        """The dword at an offset divisible by four."""
        return self.words.get(offset)

    def _raw(self, offset: int, size: int) -> int | None:
        """`size` bytes (1, 2 or 4, not crossing a dword) at an offset, as a number."""
        word = self.words.get(offset & ~3)
        if word is None:
            return None
        return word >> 8 * (offset & 3) & ((1 << 8 * size) - 1)

    @cached_property
    def capabilities(self) -> Walk:
        """The walk over the lists, done once."""
        return walk(self.word)

    @property
    def silent(self) -> bool:
        """The first dword reads all ones: nothing answers at this address."""
        return self.words.get(0) == ALL_ONES

    @property
    def class_code(self) -> ClassCode | None:
        """The class code; None where it was not read."""
        word = self.words.get(0x08)
        return None if word is None or self.silent else ClassCode.of(word >> 8)

    @cached_property
    def _first_of_kind(self) -> dict[tuple[bool, int], Found]:
        return {(item.extended, item.id): item for item in reversed(self.capabilities.found)}

    def find(self, structure: Structure) -> Found | None:
        """The first capability of that kind."""
        return self._first_of_kind.get((structure.extended, structure.id))

    @property
    def extended_list_cut(self) -> bool:
        """Extended space was read in part, and a word of its list is among what was not."""
        last = next((item for item in reversed(self.capabilities.found) if item.extended), None)
        following = EXTENDED_START if last is None else self.words[last.offset] >> 20 & 0xFFC
        return bool(following) and following not in self.words and any(at >= EXTENDED_START for at in self.words)

    @cached_property
    def express_flags(self) -> int:
        """The raw PCI Express Capabilities register, 0 where there is none."""
        return _express_flags(self.capabilities, self.word)

    def offset_of(self, register: type[Register], index: int = 0) -> int | None:
        """Where a register (its repetition `index`) stands; None where the function does not have it."""
        if register.structure is None:
            return register.offset
        base = self._existing.get(register)
        return None if base is None else base + index * register.stride

    @cached_property
    def _existing(self) -> dict[type[Register], int]:
        """Every register that the function has a capability for, and where it stands."""
        flags = self.express_flags
        return {
            register: item.offset + register.offset
            for item in reversed(self.capabilities.found)  # of two of a kind the first one counts
            if item.structure is not None
            for register in item.structure.existing(flags)
        }

    def place(self, register: type[Register], index: int = 0) -> tuple[int, int] | None:
        """Offset and raw value of a register; None where there is none, it was not read, or it gives no answer."""
        offset = self.offset_of(register, index)
        raw = None if offset is None else self._raw(offset, register.size)
        return None if offset is None or raw is None or raw == register.no_answer else (offset, raw)

    def register(self, register: type[Register], index: int = 0) -> int | None:
        """A register's raw value; None where there is none, it was not read, or reads all ones, which is no answer."""
        found = self.place(register, index)
        return None if found is None else found[1]

    def value(self, field: Field[T], index: int = 0) -> T | None:
        """A field's decoded value; None where it was not read or is a reserved encoding."""
        raw = self.register(field.register, index)
        return None if raw is None else field.decode(raw)

    def vendor_headers(self) -> Iterator[int]:
        """The raw header of each vendor-specific extended capability."""
        for found in self.capabilities.found:
            if found.structure is VENDOR_SPECIFIC:
                raw = self._raw(found.offset + VendorSpecificHeader.offset, VendorSpecificHeader.size)
                if raw is not None:
                    yield raw

    def header(self) -> Iterator[tuple[type[Register], int, int]]:
        """The registers of the header by its layout: what, at which offset, raw."""
        layout = self.value(HeaderType.header_layout)
        for register in LAYOUTS.get(layout, LAYOUTS["type 0"]):
            raw = self._raw(register.offset, register.size)
            if raw is not None:
                yield register, register.offset, raw

    def decoded(self) -> Iterator[tuple[Found, type[Register], int, int]]:
        """Every register of every capability that has a table and was read: where, what, at which offset, raw."""
        for found in self.capabilities.found:
            if found.structure is None:
                continue
            for register in found.structure.existing(self.express_flags):
                for at in register.instances():
                    raw = self._raw(found.offset + at, register.size)
                    if raw is not None:
                        yield found, register, found.offset + at, raw


def _express_flags(lists: Walk, fetch: Fetch) -> int:
    for item in lists.found:
        if item.id == PCI_EXPRESS.id and not item.extended:
            return (fetch(item.offset) or 0) >> 16
    return 0


def survey(fetch: Fetch, load: Callable[[int, int], None]) -> None:
    """Read what judging a link needs and no more: the header, the lists, and the routine registers of each table.

    `load(offset, size)` reads a run of dwords ahead, so that `fetch` then finds them.
    """
    load(0x00, 16)
    layout = fetch(0x0C)
    if layout is None or fetch(0x00) == ALL_ONES:
        return
    if layout >> 16 & 0x7F == 1:
        fetch(0x18)
        fetch(0x3C)
    lists = walk(fetch)
    flags = _express_flags(lists, fetch)
    for found in lists.found:
        if found.structure is not None:
            for start, end in _runs(found.structure.existing(flags)):
                load(found.offset + start, end - start)


@lru_cache(maxsize=64)
def _runs(registers: tuple[type[Register], ...]) -> tuple[tuple[int, int], ...]:
    """The dwords that the routine registers lie in, as runs from start to end."""
    wanted = {at & ~3 for register in registers if register.routine for at in register.instances()}
    runs: list[tuple[int, int]] = []
    for offset in sorted(wanted):
        if runs and runs[-1][1] == offset:
            runs[-1] = (runs[-1][0], offset + 4)
        else:
            runs.append((offset, offset + 4))
    return tuple(runs)
