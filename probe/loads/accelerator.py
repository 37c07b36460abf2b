"""Accelerator copy: host to device, device to host and both at once from pinned memory, then a pattern there and back.

By NVIDIA's own binding of the driver (`cuda-bindings`, the extra `accelerator`); no toolkit is needed. Writes only to
memory that it allocates on the device.
"""

import ctypes
import hashlib
import time
from collections.abc import Callable
from typing import Any

from probe.exceptions import InputError
from probe.host.numa import node_of
from probe.loads.interface import BOTH, FROM_HOST, MIB, TO_HOST, Context, Target
from probe.loads.placement import run_near

_BLOCK = 256 * MIB
_REPEATS = 4
_UNIT = 64


class AcceleratorCopy:
    """Copies between pinned host memory and an accelerator."""

    name = "accelerator"
    drives = "NVIDIA accelerators"
    needs = "the part accelerator, the driver, and an accelerator"
    verifies = "a seeded pattern goes to the device and comes back, every pass"
    writes = "memory that it allocates on the device"

    def target(self, text: str) -> Target:
        """An accelerator by number or address. Raises InputError."""
        found = self.targets()
        for number, target in enumerate(found):
            if text in {str(number), target.label, target.address}:
                return target
        known = ", ".join(target.label for target in found) or "none"
        raise InputError("no such accelerator", where=f"accelerator:{text}", remedy=f"there are: {known}")

    def targets(self) -> list[Target]:
        """Every accelerator that the driver shows."""
        driver = _driver()
        _ask(driver.cuInit(0))
        targets = []
        for number in range(_ask(driver.cuDeviceGetCount())):
            device = _ask(driver.cuDeviceGet(number))
            text = _ask(driver.cuDeviceGetPCIBusId(32, device))
            bus = (text.decode() if isinstance(text, bytes) else text).partition("\0")[0].strip().lower()
            domain, _, place = bus.partition(":")
            address = f"{int(domain, 16):04x}:{place}"
            targets.append(Target(label=address, address=address, node=node_of(address)))
        return targets

    def run(self, target: Target, context: Context) -> None:
        """Copy until stopped."""
        run_near(target.node)
        driver = _driver()
        _ask(driver.cuInit(0))
        device = _ask(driver.cuDeviceGetByPCIBusId(target.label.encode()))
        handle = _ask(driver.cuDevicePrimaryCtxRetain(device))
        try:
            _ask(driver.cuCtxSetCurrent(handle))
            _Copier(driver, target, context).run()
        finally:
            driver.cuDevicePrimaryCtxRelease(device)


def _driver() -> Any:  # noqa: ANN401 - a module that need not be installed
    try:
        from cuda.bindings import driver  # noqa: PLC0415 - optional
    except ImportError as error:
        remedy = "install linkprobe[accelerator]"
        raise InputError("the driver's binding is not installed", where="--load accelerator", remedy=remedy) from error
    return driver


def _ask(answer: tuple[Any, ...]) -> Any:  # noqa: ANN401 - what the driver gives
    """The value of a driver call. Raises OSError with the driver's word where it failed."""
    status, *values = answer
    if int(status) != 0:
        raise OSError(f"the accelerator's driver says {status!r}")
    return values[0] if values else None


class _Copier:
    def __init__(self, driver: Any, target: Target, context: Context) -> None:  # noqa: ANN401 - as above
        self._driver = driver
        self._target = target
        self._context = context
        self._size = context.options.block or _BLOCK
        self._host = [int(_ask(driver.cuMemHostAlloc(self._size, 0))) for _ in range(2)]
        self._device = [_ask(driver.cuMemAlloc(self._size)) for _ in range(2)]
        self._streams = [_ask(driver.cuStreamCreate(1)) for _ in range(2)]

    def run(self) -> None:
        seed = self._context.options.seed
        try:
            while not self._context.stop.is_set():
                self._timed(FROM_HOST, [self._down])
                self._timed(TO_HOST, [self._up])
                self._timed(BOTH, [self._down, self._up])
                self._there_and_back(seed)
                seed += 1
        finally:
            for pointer in self._device:
                self._driver.cuMemFree(pointer)
            for address in self._host:
                self._driver.cuMemFreeHost(address)

    def _down(self) -> None:
        _ask(self._driver.cuMemcpyHtoDAsync(self._device[0], self._host[0], self._size, self._streams[0]))

    def _up(self) -> None:
        _ask(self._driver.cuMemcpyDtoHAsync(self._host[1], self._device[1], self._size, self._streams[1]))

    def _timed(self, direction: str, copies: list[Callable[[], None]]) -> None:
        start = time.perf_counter()
        for _ in range(_REPEATS):
            for copy in copies:
                copy()
        for stream in self._streams:
            _ask(self._driver.cuStreamSynchronize(stream))
        seconds = time.perf_counter() - start
        moved = _REPEATS * len(copies) * self._size
        self._context.passed(self._target, direction, moved, seconds, verified=False)
        self._context.pace(moved)

    def _there_and_back(self, seed: int) -> None:
        unit = hashlib.shake_128(str(seed).encode()).digest(MIB)
        expected = unit * (self._size // MIB)
        ctypes.memmove(self._host[0], expected, len(expected))
        start = time.perf_counter()
        _ask(self._driver.cuMemcpyHtoD(self._device[0], self._host[0], len(expected)))
        _ask(self._driver.cuMemcpyDtoH(self._host[1], self._device[0], len(expected)))
        seconds = time.perf_counter() - start
        found = ctypes.string_at(self._host[1], len(expected))
        self._context.passed(self._target, "there and back", 2 * len(expected), seconds, verified=True)
        if found != expected:
            first = next(at for at, pair in enumerate(zip(expected, found, strict=True)) if pair[0] != pair[1])
            at = first // _UNIT * _UNIT
            self._context.differs(self._target, first, expected[at:], found[at:])
