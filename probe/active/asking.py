"""Single questions and answers, with their types: what protocols are made of.

A wait looks once more after its deadline: a process that was put aside between a look and the clock must not take a
good component for a dead one.
"""

from collections.abc import Callable

import msgspec

from probe.active.steps import Begin, CannotWrite, Finished, Keep, Now, Protocol, Read, ReadFile, Traced, Wait, Write
from probe.registers.bits import all_ones

_AWAKE_S = 2.0
_NOT_ACTIVE = frozenset({"suspended", "suspending", "resuming"})


class Poll(msgspec.Struct, frozen=True):
    """How a wait ended: the last value read, whether it was the wanted one, seconds since the start, looks taken.

    `at_least_s`: it had not come yet at a look that long after the start, however late the next look was.
    """

    value: int | None
    met: bool
    seconds: float
    looks: int
    at_least_s: float = 0.0


def read(address: str, offset: int, size: int) -> Protocol[int | None]:
    """The number that stands in configuration space, all ones where nothing answers, None where it cannot be read."""
    answer = yield Read(address, offset, size)
    return answer if isinstance(answer, int) else None


def answering(address: str, offset: int, size: int) -> Protocol[int | None]:
    """As `read`, but None also where nothing answers."""
    value = yield from read(address, offset, size)
    return None if value == all_ones(size) else value


def write(address: str, offset: int, size: int, value: int, mask: int) -> Protocol[None]:
    """Write the bits of the mask. Raises CannotWrite."""
    yield Write(address, offset, size, value, mask)


def keep(address: str, offset: int, size: int, mask: int) -> Protocol[None]:
    """Keep bits that others may change on behalf of this run. Raises CannotWrite where they cannot be kept."""
    yield Keep(address, offset, size, mask)


def now() -> Protocol[float]:
    """Seconds of a clock that never goes back."""
    answer = yield Now()
    return float(answer or 0.0)


def traced(port: str) -> Protocol[int | None]:
    """How many events of a port's link the kernel traced; None where it traces none."""
    answer = yield Traced(port)
    return answer if isinstance(answer, int) else None


def text_of(path: str) -> Protocol[str | None]:
    """The text of a file below /sys, None where it has none."""
    answer = yield ReadFile(path)
    return answer if isinstance(answer, str) else None


def until(look: Read, wanted: Callable[[int], bool], within_s: float, every_s: float) -> Protocol[Poll]:
    """Read until the value is wanted. The last look is taken after the deadline."""
    begin = yield from now()
    looks = 0
    missed_s = 0.0
    while True:
        before = yield from now()
        value = yield from read(look.address, look.offset, look.size)
        looks += 1
        if value is not None and wanted(value):
            return Poll(value, met=True, seconds=(yield from now()) - begin, looks=looks, at_least_s=missed_s)
        missed_s = before - begin
        if missed_s >= within_s:
            return Poll(value, met=False, seconds=missed_s, looks=looks, at_least_s=missed_s)
        yield Wait(every_s)


def finished(path: str) -> Protocol[int | None]:
    """The end of a write that was begun: None while it runs, then 0 or an errno."""
    answer = yield Finished(path)
    return answer if isinstance(answer, int) else None


def keep_awake(address: str) -> Protocol[None]:
    """Keep a function from being suspended, and wait until it is active. Raises CannotWrite."""
    control = f"bus/pci/devices/{address}/power/control"
    if (yield from text_of(control)) == "auto":
        yield from write_file(control, "on", _AWAKE_S)
    begin = yield from now()
    while True:
        before = yield from now()
        if (yield from text_of(f"bus/pci/devices/{address}/power/runtime_status")) not in _NOT_ACTIVE:
            return
        if before - begin >= _AWAKE_S:
            raise CannotWrite(control, f"{address} does not become active")
        yield Wait(0.01)


def write_file(path: str, text: str, within_s: float) -> Protocol[None]:
    """Write a file below /sys and wait for the kernel to take it. Raises CannotWrite."""
    yield Begin(path, text)
    begin = yield from now()
    while True:
        before = yield from now()
        result = yield from finished(path)
        if result == 0:
            return
        if result is not None:
            raise CannotWrite.by_errno(f"/sys/{path}", result)
        if before - begin >= within_s:
            raise CannotWrite(f"/sys/{path}", f"the kernel has not taken it within {within_s:g} s")
        yield Wait(0.001)
