"""Accelerators by NVIDIA's own binding of the driver (`cuda-bindings`, the extra `accelerator`); no toolkit is needed.

Copies are put in order on a stream of the device, several ahead, and timed by the device's own clock (events), so that
what the processor does meanwhile does not show in a rate.
"""

from collections.abc import Callable
from contextlib import ExitStack
from typing import Any, Self

import msgspec

from probe.exceptions import InputError
from probe.host.numa import node_of
from probe.loads.interface import Target

_NON_BLOCKING = 1
_BLOCKING_SYNC = 1
"""CU_STREAM_NON_BLOCKING, CU_EVENT_BLOCKING_SYNC (cuda.h): waiting for an event sleeps."""
_REACHED_ALREADY = 704
"""CUDA_ERROR_PEER_ACCESS_ALREADY_ENABLED"""
_BUS_ID_BYTES = 32


def binding() -> Any:  # noqa: ANN401 - a module that need not be installed
    """The driver, ready to be asked. Raises InputError where the binding or the driver is not installed."""
    try:
        from cuda.bindings import driver  # noqa: PLC0415 - optional
    except ImportError as error:
        remedy = "install linkprobe[accelerator]"
        raise InputError("the driver's binding is not installed", where="--load accelerator", remedy=remedy) from error
    try:
        ask(driver.cuInit(0))
    except (RuntimeError, OSError) as error:  # the binding raises its own RuntimeError where it finds no driver
        remedy = "load the accelerator's driver"
        raise InputError(f"no driver answers ({error})", where="--load accelerator", remedy=remedy) from error
    return driver


def ask(answer: tuple[Any, ...]) -> Any:  # noqa: ANN401 - what the driver gives
    """The value of a driver call. Raises OSError with the driver's word where it failed."""
    status, *values = answer
    if int(status) != 0:
        raise OSError(f"the accelerator's driver says {status!r}")
    return values[0] if values else None


def accelerators() -> list[Target]:
    """Every accelerator that the driver shows, in its order. Raises InputError."""
    driver = binding()
    targets = []
    for number in range(ask(driver.cuDeviceGetCount())):
        text = ask(driver.cuDeviceGetPCIBusId(_BUS_ID_BYTES, ask(driver.cuDeviceGet(number))))
        bus = (text.decode() if isinstance(text, bytes) else text).partition("\0")[0].strip().lower()
        domain, _, place = bus.partition(":")
        address = f"{int(domain, 16):04x}:{place}"
        targets.append(Target(label=address, address=address, node=node_of(address)))
    return targets


def may_talk(one: str, other: str) -> bool:
    """Whether the driver lets two accelerators reach each other's memory, both ways."""
    driver = binding()
    devices = [ask(driver.cuDeviceGetByPCIBusId(address.encode())) for address in (one, other)]
    return all(ask(driver.cuDeviceCanAccessPeer(*pair)) for pair in (devices, devices[::-1]))


class Moved(msgspec.Struct, frozen=True):
    """Bytes that went, and the seconds of the device that they took."""

    bytes: int = 0
    seconds: float = 0.0


class Device:
    """One accelerator and what was allocated for it, all given back when it is closed."""

    def __init__(self, address: str) -> None:
        self.driver = binding()
        self._held = ExitStack()
        device = ask(self.driver.cuDeviceGetByPCIBusId(address.encode()))
        self.context = ask(self.driver.cuDevicePrimaryCtxRetain(device))
        self._held.callback(self.driver.cuDevicePrimaryCtxRelease, device)
        self.use()

    def use(self) -> None:
        """Let this thread talk to it."""
        ask(self.driver.cuCtxSetCurrent(self.context))

    def reach(self, other: "Device") -> None:
        """Let it reach the memory of another without a detour over the host's."""
        status, *_ = self.driver.cuCtxEnablePeerAccess(other.context, 0)
        if int(status) != _REACHED_ALREADY:
            ask((status,))

    def pinned(self, size: int) -> int:
        """The address of host memory that the device can reach and the kernel does not move."""
        address = int(ask(self.driver.cuMemHostAlloc(size, 0)))
        self._held.callback(self.driver.cuMemFreeHost, address)
        return address

    def memory(self, size: int) -> int:
        """The address of memory on the device."""
        address = int(ask(self.driver.cuMemAlloc(size)))
        self._held.callback(self.driver.cuMemFree, address)
        return address

    def event(self) -> Any:  # noqa: ANN401 - the driver's
        """An event with the device's time, waited for asleep."""
        event = ask(self.driver.cuEventCreate(_BLOCKING_SYNC))
        self._held.callback(self.driver.cuEventDestroy, event)
        return event

    def stream(self) -> Any:  # noqa: ANN401 - the driver's
        """A stream that waits for no other."""
        stream = ask(self.driver.cuStreamCreate(_NON_BLOCKING))
        self._held.callback(self.driver.cuStreamDestroy, stream)
        return stream

    def wait(self, event: Any) -> None:  # noqa: ANN401 - the driver's
        """Wait until the device has come to this event."""
        ask(self.driver.cuEventSynchronize(event))

    def seconds(self, begin: Any, end: Any) -> float:  # noqa: ANN401 - the driver's
        """The device's time between two events that are over."""
        return float(ask(self.driver.cuEventElapsedTime(begin, end))) / 1000.0

    def __enter__(self) -> Self:
        """Itself, current in this thread."""
        return self

    def __exit__(self, *_: object) -> None:
        """Give everything back, the last allocated first, once nothing is on the way any more."""
        self.use()
        self.driver.cuCtxSynchronize()
        self._held.close()


class Stream:
    """Copies one after the other, `depth` of them ahead."""

    def __init__(self, device: Device, depth: int) -> None:
        self.handle = device.stream()
        self._device = device
        self._begin = device.event()
        self._done = [device.event() for _ in range(depth)]

    def keep_full(self, copy: Callable[[int], int], goes_on: Callable[[], bool]) -> Moved:
        """Give the device copies until it no longer goes on, and wait for the last; `copy` is given its number.

        It puts one on the stream and says its bytes. A place among those ahead is free once the device is done with it.
        """
        driver, depth = self._device.driver, len(self._done)
        moved, number = 0, 0
        ask(driver.cuEventRecord(self._begin, self.handle))
        while goes_on():
            place = self._done[number % depth]
            if number >= depth:
                self._device.wait(place)
            moved += copy(number)
            ask(driver.cuEventRecord(place, self.handle))
            number += 1
        if number == 0:
            return Moved()
        last = self._done[(number - 1) % depth]
        self._device.wait(last)
        return Moved(moved, self._device.seconds(self._begin, last))
