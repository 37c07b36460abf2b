"""The area of a disk or file that a storage round trip writes: blocks that are written, read back and compared."""

import mmap
import os
from collections.abc import Sequence

from probe.loads.interface import Context, Target
from probe.loads.patterns import StampedBlocks, address_of, first_difference, tail
from probe.loads.phases import Phase


class ScratchArea:
    """Blocks by their number; what a block holds depends on its number and the turn in which it was written."""

    def __init__(self, descriptor: int, target: Target, context: Context, *, block: int) -> None:
        self.block = block
        self.count = max(1, context.options.size // block)
        self.context = context
        self._descriptor = descriptor
        self._target = target
        self._begin = 0 if target.overwritten else block  # the mark of a scratch file stays
        self._data = StampedBlocks(block, context.options.seed)

    def write(self, buffer: mmap.mmap, turn: int, number: int) -> int:
        """Write a block, and give how many bytes. Raises OSError."""
        self._data.fill(buffer, turn, number)
        return self._whole(os.pwritev(self._descriptor, [buffer], self._place(number)), "wrote", number)

    def compare(self, buffer: mmap.mmap, expected: mmap.mmap, turn: int, number: int) -> int:
        """Read a block back, tell what differs from what was written in that turn, and give how many bytes."""
        moved = self._whole(os.preadv(self._descriptor, [buffer], self._place(number)), "read", number)
        self._data.fill(expected, turn, number)
        right, wrong = address_of(expected), address_of(buffer)
        at = first_difference(right, wrong, self.block)
        if at is not None:
            offset = self._place(number) + at
            self.context.differs(self._target, offset, tail(right, at, self.block), tail(wrong, at, self.block))
        return moved

    def _place(self, number: int) -> int:
        return self._begin + number * self.block

    def _whole(self, moved: int, did: str, number: int) -> int:
        if moved < self.block:
            raise OSError(f"{did} {moved} of {self.block} bytes at offset {self._place(number)}: the device is gone")
        self.context.pace(moved)
        return moved


class Share:
    """The blocks of one thread, which nobody else touches."""

    def __init__(self, area: ScratchArea, numbers: Sequence[int]) -> None:
        self._area = area
        self._numbers = numbers
        self._turn = 0
        self._written: dict[int, int] = {}
        self._compared = 0
        self._buffer, self._expected = mmap.mmap(-1, area.block), mmap.mmap(-1, area.block)

    def work(self, phase: Phase, *, writes: bool) -> int:
        """Write, or read back and compare, whole blocks until the phase is over; how many bytes."""
        moved = 0
        while (writes or self._written) and self._area.context.goes_on(phase):
            moved += self._write() if writes else self._compare()
        return moved

    def _write(self) -> int:
        number = self._numbers[self._turn % len(self._numbers)]
        self._turn += 1
        moved = self._area.write(self._buffer, self._turn, number)
        self._written[number] = self._turn
        return moved

    def _compare(self) -> int:
        number = self._numbers[self._compared % len(self._written)]  # they were written in this order
        self._compared += 1
        return self._area.compare(self._buffer, self._expected, self._written[number], number)
