"""Accelerator peers: from one accelerator straight to another, for pairs that the driver lets talk, each way and both.

Writes only to memory that it allocates on the two. Where the driver takes another way than PCI Express it says so, and
no link counts as loaded.
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import combinations

import msgspec

from probe.exceptions import InputError
from probe.loads.cuda import Device, Moved, Stream, accelerators, ask, may_talk
from probe.loads.interface import MIB, Context, Options, Target
from probe.loads.patterns import Pattern, around, first_difference
from probe.loads.phases import PEERS, Phase
from probe.loads.results import BOTH
from probe.observe.accelerator_counters import joined_otherwise

_SLICE = 32 * MIB
_SLICES = 8
_OTHERWISE = "the driver takes an interconnect of the accelerators' own: no PCI Express link is loaded by it"
_NOT_KNOWN = "which way the driver takes is not known, for NVML does not say: no link counts as loaded by it"


class AcceleratorPeers:
    """Copies between two accelerators."""

    name = "accelerator-peers"
    drives = "two NVIDIA accelerators, from one straight to the other"
    needs = "the part accelerator, the driver, and two accelerators that it lets talk to each other"
    verifies = "the last copies of each phase are compared"
    writes = "memory that it allocates on the devices"
    phases: tuple[str, ...] = (PEERS,)

    def target(self, text: str) -> Target:
        """A pair, as 0-1 or by addresses. Raises InputError."""
        numbers = {item.label: str(number) for number, item in enumerate(accelerators())}
        found = self.targets()
        for target in found:
            one, _, other = target.label.partition("-")
            if text in {target.label, f"{numbers[one]}-{numbers[other]}"}:
                return target
        known = ", ".join(target.label for target in found) or "none"
        raise InputError("no such pair", where=f"accelerator-peers:{text}", remedy=f"there are: {known}")

    def targets(self) -> list[Target]:
        """Every pair that may talk."""
        return [_pair(*pair) for pair in combinations(accelerators(), 2) if may_talk(*(item.label for item in pair))]

    def refuse(self, target: Target, options: Options) -> None:
        """Nothing: it writes to memory of its own."""

    def memory_bytes(self, options: Options) -> int:
        """The pattern and a slice to compare with, for each way."""
        return 2 * (_SLICES + 1) * (options.block or _SLICE)

    def run(self, target: Target, context: Context) -> None:
        """Copy until stopped: in one phase to the second, in the next to the first, then both ways."""
        first, _, second = target.label.partition("-")
        with Device(first) as one, Device(second) as other, ThreadPoolExecutor(2) as threads:
            there, back = _Way(one, other, target, context), _Way(other, one, target, context)
            ways = ((f"{first} to {second}", (there,)), (f"{second} to {first}", (back,)), (BOTH, (there, back)))
            for turn, phase in enumerate(context.phases()):
                direction, used = ways[turn % len(ways)]
                moved = [done.result() for done in [threads.submit(way.copy, phase) for way in used]]
                seconds = max(item.seconds for item in moved)
                for way in used:
                    way.compare()
                if seconds:
                    size = sum(item.bytes for item in moved)
                    context.passed(target, direction, size, seconds, verified=True)


def _pair(one: Target, other: Target) -> Target:
    """Two as one target; it stands for their links only where the driver is known to go over them."""
    pair = Target(label=f"{one.label}-{other.label}", node=one.node)
    otherwise = joined_otherwise(one.label, other.label)
    if otherwise is None:
        return msgspec.structs.replace(pair, note=_NOT_KNOWN)
    if otherwise:
        return msgspec.structs.replace(pair, note=_OTHERWISE)
    return msgspec.structs.replace(pair, address=one.address, peer=other.address)


class _Way:
    """From one accelerator to another: a pattern on the first, room for it on the second."""

    def __init__(self, source: Device, sink: Device, target: Target, context: Context) -> None:
        self._source, self._sink = source, sink
        self._target, self._context = target, context
        self._size = context.options.block or _SLICE
        sink.use()
        self._room = [sink.memory(self._size) for _ in range(_SLICES)]
        source.use()
        source.reach(sink)
        self._pattern = Pattern(source.pinned(_SLICES * self._size), _SLICES, self._size, context.options.seed)
        self._back = source.pinned(self._size)
        self._held = [source.memory(self._size) for _ in range(_SLICES)]
        for number, place in enumerate(self._held):
            ask(source.driver.cuMemcpyHtoD(place, self._pattern.at(number), self._size))
        self._stream = Stream(source, context.options.in_flight or _SLICES)
        self._turn = 0
        self._sent: dict[int, int] = {}

    def copy(self, phase: Phase) -> Moved:
        """Slices, until the phase is over."""
        self._source.use()
        self._turn += 1
        return self._stream.keep_full(self._send, lambda: self._context.goes_on(phase))

    def _send(self, number: int) -> int:
        place = number % _SLICES
        self._sent[place] = (place + self._turn) % _SLICES  # not what went there in the turn before
        ask(
            self._source.driver.cuMemcpyPeerAsync(
                self._room[place], self._sink.context, self._held[self._sent[place]], self._source.context,
                self._size, self._stream.handle,
            )
        )  # fmt: skip
        self._context.pace(self._size)
        return self._size

    def compare(self) -> None:
        """What lies on the second accelerator now, against what was sent last to each place."""
        for number, at, expected in self._differences():
            offset = self._pattern.offset(number) + at
            one, other = around(expected, at, self._size), around(self._back, at, self._size)
            self._context.differs(self._target, offset, one, other)

    def _differences(self) -> Iterator[tuple[int, int, int]]:
        self._sink.use()
        for place, number in self._sent.items():
            ask(self._sink.driver.cuMemcpyDtoH(self._back, self._room[place], self._size))
            expected = self._pattern.at(number)
            at = first_difference(expected, self._back, self._size)
            if at is not None:
                yield number, at, expected
