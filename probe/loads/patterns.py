"""Data that tells where it belongs: made once, before anything is timed, and alike nowhere."""

import ctypes
import random

from probe.loads.interface import MIB

UNIT = 64
_PAGE = 4096


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
