"""Accelerator copy: from pinned host memory, to it, both at once, then a pattern there and back, every byte compared.

Writes only to memory that it allocates on the device.
"""

import os
from concurrent.futures import ThreadPoolExecutor

from probe.exceptions import InputError
from probe.loads.cuda import Device, Moved, Stream, accelerators, ask
from probe.loads.interface import MIB, Context, Options, Target
from probe.loads.patterns import Pattern
from probe.loads.phases import VERIFIED, Phase
from probe.loads.results import BOTH, FROM_HOST, TO_HOST
from probe.loads.round_trips import RoundTrips

_SLICE = 32 * MIB
_SLICES = 8
_IN_FLIGHT = 8
_MOST_COMPARING = 8


class AcceleratorCopy:
    """Copies between pinned host memory and an accelerator."""

    name = "accelerator"
    drives = "NVIDIA accelerators"
    needs = "the part accelerator, the driver, and an accelerator"
    verifies = "in one phase of four a pattern goes to the device and comes back, and all of it is compared"
    writes = "memory that it allocates on the device"
    phases: tuple[str, ...] = (FROM_HOST, TO_HOST, BOTH, VERIFIED)

    def target(self, text: str) -> Target:
        """An accelerator by number or address. Raises InputError."""
        found = self.targets()
        for number, target in enumerate(found):
            if text in {str(number), target.label}:
                return target
        known = ", ".join(target.label for target in found) or "none"
        raise InputError("no such accelerator", where=f"accelerator:{text}", remedy=f"there are: {known}")

    def targets(self) -> list[Target]:
        """Every accelerator that the driver shows."""
        return accelerators()

    def refuse(self, target: Target, options: Options) -> None:
        """Nothing: it writes to memory of its own."""

    def memory_bytes(self, options: Options) -> int:
        """The pattern, and a slice for each copy that is under way or being compared."""
        slices = _SLICES + (options.in_flight or _IN_FLIGHT) + _MOST_COMPARING
        return slices * (options.block or _SLICE)

    def run(self, target: Target, context: Context) -> None:
        """Copy until stopped, a pass a phase."""
        with Device(target.label) as device:
            copier = _Copier(device, target, context)
            work = {
                FROM_HOST: copier.from_host,
                TO_HOST: copier.to_host,
                BOTH: copier.both,
                VERIFIED: copier.there_and_back,
            }
            with copier.threads:
                for phase in context.phases():
                    moved = work[phase.name](phase)
                    if moved.seconds:
                        verified = phase.name == VERIFIED
                        context.passed(target, phase.name, moved.bytes, moved.seconds, verified=verified)


class _Copier:
    """The buffers of one accelerator, a stream each way, and threads to feed them and to compare."""

    def __init__(self, device: Device, target: Target, context: Context) -> None:
        self._device = device
        self._context = context
        self._size = context.options.block or _SLICE
        depth = context.options.in_flight or _IN_FLIGHT
        comparing = max(1, min(_MOST_COMPARING, len(os.sched_getaffinity(0)) // 2))
        self.threads = ThreadPoolExecutor(2 + comparing, initializer=device.use)
        self._down, self._up = Stream(device, depth), Stream(device, depth)
        slots = depth + comparing
        self._host = [device.pinned(self._size) for _ in range(slots)]
        self._below = [device.memory(self._size) for _ in range(slots)]
        self._above = [device.memory(self._size) for _ in range(depth)]
        self._pattern = Pattern(device.pinned(_SLICES * self._size), _SLICES, self._size, context.options.seed)
        for number, place in enumerate(self._above):
            ask(device.driver.cuMemcpyHtoD(place, self._pattern.at(number), self._size))
        self._trips = RoundTrips(
            device, self._pattern, self._host, self._below, self.threads,
            lambda offset, expected, found: context.differs(target, offset, expected, found),
        )  # fmt: skip

    def from_host(self, phase: Phase) -> Moved:
        """Slices of the pattern to the device."""
        return self._down.keep_full(self._copy_down, lambda: self._context.goes_on(phase))

    def to_host(self, phase: Phase) -> Moved:
        """Slices from the device to the host."""
        return self._up.keep_full(self._copy_up, lambda: self._context.goes_on(phase))

    def both(self, phase: Phase) -> Moved:
        """Both ways at once, each fed by a thread of its own."""
        ways = [self.threads.submit(way, phase) for way in (self.from_host, self.to_host)]
        moved = [way.result() for way in ways]
        return Moved(sum(way.bytes for way in moved), max(way.seconds for way in moved))

    def there_and_back(self, phase: Phase) -> Moved:
        """To the device and back, compared while copies go on."""
        return self._trips.run(lambda: self._context.goes_on(phase), self._context.pace)

    def _copy_down(self, number: int) -> int:
        place, source = self._below[number % len(self._below)], self._pattern.at(number)
        ask(self._device.driver.cuMemcpyHtoDAsync(place, source, self._size, self._down.handle))
        return self._moved()

    def _copy_up(self, number: int) -> int:
        place, source = self._host[number % len(self._host)], self._above[number % len(self._above)]
        ask(self._device.driver.cuMemcpyDtoHAsync(place, source, self._size, self._up.handle))
        return self._moved()

    def _moved(self) -> int:
        self._context.pace(self._size)
        return self._size
