"""Device and log events as they happen: the udev monitor, and new lines of the kernel's log."""

import os
from collections.abc import Iterator

from probe.errors.log_events import LogEvent, log_events
from probe.evidence import LogLine
from probe.host.kernel_log import parse_line

_RECORD_BYTES = 8192


class DeviceMonitor:
    """PCI functions that come, go and change, by pyudev; nothing where there is no udev."""

    def __init__(self) -> None:
        import pyudev  # noqa: PLC0415 - late

        try:
            self._monitor = pyudev.Monitor.from_netlink(pyudev.Context(), source="kernel")
            self._monitor.filter_by(subsystem="pci")
            self._monitor.start()
        except OSError:
            self._monitor = None

    def events(self) -> Iterator[tuple[str, str]]:
        """What came since the last call: action and address."""
        while self._monitor is not None and (device := self._monitor.poll(timeout=0)) is not None:
            yield str(device.action), str(device.sys_name)


class LogMonitor:
    """New lines of the kernel's log; nothing where it may not be read."""

    def __init__(self) -> None:
        try:
            self._descriptor = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
            os.lseek(self._descriptor, 0, os.SEEK_END)
        except OSError:
            self._descriptor = -1

    def events(self) -> tuple[LogEvent, ...]:
        """What the lines since the last call say of PCI Express."""
        return log_events(self._lines())

    def _lines(self) -> list[LogLine]:
        lines: list[LogLine] = []
        while self._descriptor >= 0:
            try:
                text = os.read(self._descriptor, _RECORD_BYTES).decode("utf-8", "replace")
            except BlockingIOError:
                break
            except BrokenPipeError:  # overwritten while we read; the next one is whole
                continue
            except OSError:
                break
            lines.append(parse_line(text.partition("\n")[0]))
        return lines
