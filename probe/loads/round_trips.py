"""A pattern to the device and back, every byte compared, by threads that compare while further copies go on."""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future

from probe.loads.cuda import Device, Moved, ask
from probe.loads.patterns import Pattern, around, first_difference

Differs = Callable[[int, bytes, bytes], None]


class RoundTrips:
    """As many trips on the way as there are slots, each a piece of memory on either side.

    A slot never holds the same slice of the pattern twice in a row: one that was left from the trip before is seen.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - what it works with
        self,
        device: Device,
        pattern: Pattern,
        host: Sequence[int],
        below: Sequence[int],
        threads: Executor,
        differs: Differs,
    ) -> None:
        self._device = device
        self._pattern = pattern
        self._host = host
        self._below = below
        self._threads = threads
        self._differs = differs
        self._down, self._up = device.stream(), device.stream()
        self._begin = device.event()
        self._there = [device.event() for _ in host]
        self._back = [device.event() for _ in host]

    def run(self, goes_on: Callable[[], bool], pace: Callable[[int], None]) -> Moved:
        """Trips until it no longer goes on; the bytes of both ways, in the device's time."""
        driver, size, slots = self._device.driver, self._pattern.size, len(self._host)
        compared: list[Future[None]] = []
        ask(driver.cuEventRecord(self._begin, self._down))
        while goes_on():
            number = len(compared)
            if number >= slots:
                compared[number - slots].result()  # the slot is free
            self._send(number)
            compared.append(self._threads.submit(self._compare, number))
            pace(2 * size)
        for comparing in compared[-slots:]:
            comparing.result()
        if not compared:
            return Moved()
        last = self._back[(len(compared) - 1) % slots]
        return Moved(2 * size * len(compared), self._device.seconds(self._begin, last))

    def _slice(self, number: int) -> int:
        return number % len(self._host) + number // len(self._host)

    def _send(self, number: int) -> None:
        driver, size, slot = self._device.driver, self._pattern.size, number % len(self._host)
        ask(driver.cuMemcpyHtoDAsync(self._below[slot], self._pattern.at(self._slice(number)), size, self._down))
        ask(driver.cuEventRecord(self._there[slot], self._down))
        ask(driver.cuStreamWaitEvent(self._up, self._there[slot], 0))
        ask(driver.cuMemcpyDtoHAsync(self._host[slot], self._below[slot], size, self._up))
        ask(driver.cuEventRecord(self._back[slot], self._up))

    def _compare(self, number: int) -> None:
        slot = number % len(self._host)
        self._device.wait(self._back[slot])
        expected, found, size = self._pattern.at(self._slice(number)), self._host[slot], self._pattern.size
        at = first_difference(expected, found, size)
        if at is not None:
            offset = self._pattern.offset(self._slice(number)) + at
            self._differs(offset, around(expected, at, size), around(found, at, size))
