"""How often the kernel traced an event of one port's link: counted by the kernel itself, so that no look is too late.

Linux has the event `pci:pcie_link_event` since some release after 6.12 (7.3 has it). It is counted by way of
perf_event_open(2) with a filter on the port: nothing is written anywhere, and nothing is left when a process is killed.
"""

import ctypes
import fcntl
import os
import platform
import re
import struct
import sys
from collections.abc import Iterator
from pathlib import Path

TRACING = (Path("/sys/kernel/tracing"), Path("/sys/kernel/debug/tracing"))
EVENT = "pci/pcie_link_event"
_CALLS = {"x86_64": 298, "aarch64": 241, "riscv64": 241, "loongarch64": 241}
"""perf_event_open by number: kernel `arch/x86/entry/syscalls/syscall_64.tbl`, `include/uapi/asm-generic/unistd.h`."""
_TRACEPOINT, _CLOSE_ON_EXEC, _SET_FILTER = 2, 8, 0x40082406  # include/uapi/linux/perf_event.h
_ATTRIBUTES = struct.Struct("=IIQQQQQIIQ")
"""perf_event_attr, PERF_ATTR_SIZE_VER0: type, size, config, period, sample type, read format, flags, three unused."""
_COUNT_BYTES = 8
_TEXT_FIELD = re.compile(r"field:__data_loc char\[\] (\w+);")
_EVERY_PROCESS, _NO_GROUP = -1, -1


class LinkEvents:
    """Counts the events of one port's link from now on; `offered`: the kernel has them and lets us count."""

    def __init__(self, port: str, tracing: tuple[Path, ...] = TRACING, event: str = EVENT) -> None:
        self._descriptors: tuple[int, ...] = ()
        place = next((root / "events" / event for root in tracing if (root / "events" / event / "id").exists()), None)
        call = _CALLS.get(platform.machine())
        if place is not None and call is not None:
            self._descriptors = _opened(place, call, port)

    @property
    def offered(self) -> bool:
        """The kernel counts them for us."""
        return bool(self._descriptors)

    def count(self) -> int | None:
        """How many came since this began; None where the kernel does not say."""
        if not self.offered:
            return None
        try:
            counts = [os.read(descriptor, _COUNT_BYTES) for descriptor in self._descriptors]
        except OSError:
            return None
        return sum(int.from_bytes(count, sys.byteorder) for count in counts)

    def close(self) -> None:
        """Count no more."""
        for descriptor in self._descriptors:
            os.close(descriptor)
        self._descriptors = ()


def filter_of(event_format: str, port: str) -> str | None:
    """The filter that leaves one port's events, by the text field that names it; None where the event has none."""
    names = _TEXT_FIELD.findall(event_format)
    named = next((name for name in names if "port" in name), names[0] if names else None)
    return None if named is None else f'{named} == "{port}"'


def _opened(place: Path, call: int, port: str) -> tuple[int, ...]:
    """A counter for each processor that is on; none where one of them is refused."""
    try:
        wanted = filter_of((place / "format").read_text(), port)
        number = int((place / "id").read_text())
    except (OSError, ValueError):
        return ()
    if wanted is None:
        return ()
    found: list[int] = []
    try:
        for descriptor in _counters(number, call):
            found.append(descriptor)
            fcntl.ioctl(descriptor, _SET_FILTER, wanted.encode() + b"\0")
    except OSError:
        for descriptor in found:
            os.close(descriptor)
        return ()
    return tuple(found)


def _counters(number: int, call: int) -> Iterator[int]:
    library = ctypes.CDLL(None, use_errno=True)
    attributes = ctypes.create_string_buffer(
        _ATTRIBUTES.pack(_TRACEPOINT, _ATTRIBUTES.size, number, 0, 0, 0, 0, 0, 0, 0), _ATTRIBUTES.size
    )
    for processor in _processors():
        descriptor = library.syscall(call, attributes, _EVERY_PROCESS, processor, _NO_GROUP, _CLOSE_ON_EXEC)
        if descriptor < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
        yield descriptor


def _processors() -> Iterator[int]:
    """The processors that are on, as the kernel lists them: `0-3,8`."""
    for part in Path("/sys/devices/system/cpu/online").read_text().strip().split(","):
        first, _, last = part.partition("-")
        yield from range(int(first), int(last or first) + 1)
