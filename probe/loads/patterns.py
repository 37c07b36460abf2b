"""Data that tells where it belongs: made once, before anything is timed, and alike nowhere."""

import ctypes
import mmap
import random
from array import array

from probe.loads.interface import MIB

UNIT = 64
_PAGE = 4096
_SECTOR = 512
_STRIDE = 7919


class Pattern:
    """Slices of seeded random data, no two alike, in memory that is given."""

    def __init__(self, address: int, count: int, size: int, seed: int) -> None:
        self._address = address
        self._count = count
        self.size = size
        source = random.Random(seed)  # noqa: S311 - must come out the same again, and keeps no secret
        for begin in range(0, count * size, MIB):
            piece = source.randbytes(min(MIB, count * size - begin))
            ctypes.memmove(address + begin, piece, len(piece))

    def at(self, number: int) -> int:
        """The address of the slice of this number; they come round."""
        return self._address + number % self._count * self.size

    def offset(self, number: int) -> int:
        """Where in the pattern that slice begins."""
        return number % self._count * self.size


class StampedBlocks:
    """Blocks of seeded data, each by its number and the turn in which it is written.

    Each begins elsewhere in the data, so that what another left is seen at every byte; each sector says which it is of.
    """

    def __init__(self, size: int, seed: int) -> None:
        self._size = size
        self._data = mmap.mmap(-1, 2 * size)
        Pattern(address_of(self._data), 1, 2 * size, seed)

    def fill(self, buffer: mmap.mmap, turn: int, number: int) -> None:
        """Make a buffer the block of this number in this turn."""
        begin = (turn * _STRIDE + number) * UNIT % self._size
        ctypes.memmove(address_of(buffer), address_of(self._data) + begin, self._size)
        with memoryview(buffer) as whole, whole.cast("Q") as words:
            step = _SECTOR // words.itemsize
            words[::step] = array("Q", [(turn * 2**40 + number) % 2**64]) * (len(words) // step)


_memcmp = ctypes.CDLL(None).memcmp
_memcmp.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)


def first_difference(expected: int, found: int, size: int) -> int | None:
    """The offset of the first byte in which two ranges of memory differ. Other threads run meanwhile."""
    if _memcmp(expected, found, size) == 0:
        return None
    for at in range(0, size, _PAGE):
        length = min(_PAGE, size - at)
        one, other = ctypes.string_at(expected + at, length), ctypes.string_at(found + at, length)
        if one != other:
            return at + next(index for index, pair in enumerate(zip(one, other, strict=True)) if pair[0] != pair[1])
    return None


def around(address: int, offset: int, size: int) -> bytes:
    """The unit of a range of memory that holds this offset."""
    begin = offset // UNIT * UNIT
    return ctypes.string_at(address + begin, min(UNIT, size - begin))


def tail(address: int, offset: int, size: int) -> bytes:
    """A range of memory from the unit on that holds this offset."""
    begin = offset // UNIT * UNIT
    return ctypes.string_at(address + begin, size - begin)


def address_of(buffer: mmap.mmap) -> int:
    """Where a mapping lies, which must live for as long as the address is used."""
    return ctypes.addressof(ctypes.c_char.from_buffer(buffer))
