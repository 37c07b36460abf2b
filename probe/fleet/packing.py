"""Numbers written small: byte plane by byte plane, so that planes which are all alike take no room once compressed.

Snapshots come at nearly even gaps, so of a boot's moments only what each gap has beyond the usual one is written.
"""

import sys
from array import array
from collections.abc import Iterable, Sequence
from itertools import accumulate, pairwise

_SIZE = 8


def planes(numbers: Iterable[int]) -> bytes:
    """Numbers of 64 bits as their bytes, all lowest ones first."""
    data = _little(array("q", numbers)).tobytes()
    return b"".join(data[plane::_SIZE] for plane in range(_SIZE))


def from_planes(data: bytes) -> list[int]:
    """What `planes` wrote."""
    count = len(data) // _SIZE
    ordered = bytearray(len(data))
    for plane in range(_SIZE):
        ordered[plane::_SIZE] = data[plane * count : (plane + 1) * count]
    return list(_little(array("q", bytes(ordered))))


def packed(moments: Sequence[int]) -> bytes:
    """Rising numbers as bytes."""
    if not moments:
        return b""
    gaps = [later - earlier for earlier, later in pairwise(moments)]
    usual = sorted(gaps)[len(gaps) // 2] if gaps else 0
    return planes([moments[0], usual, *(gap - usual for gap in gaps)])


def unpacked(data: bytes) -> list[int]:
    """What `packed` wrote."""
    if not data:
        return []
    first, usual, *beyond = from_planes(data)
    return list(accumulate((usual + item for item in beyond), initial=first))


def _little(numbers: "array[int]") -> "array[int]":
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers
