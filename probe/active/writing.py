"""The only module of linkprobe that opens anything under /sys for writing. All else that touches hardware reads.

May live here: opening and writing, each write checked against the tables of `permitted.py`. May not: any sequence;
deciding what is written. An import contract says who may use it; a traced test shows that no other command does.
"""

import errno
import os
import threading
import time
from collections.abc import Callable
from typing import TypeVar

from probe.active.journal import LIVE_SYS
from probe.active.permitted import Scope, file_at, register_at
from probe.exceptions import InputError
from probe.host.mounts import kind_of_file_system
from probe.kernel_spellings import COOLING_TYPE
from probe.observe.link_events import LinkEvents

T = TypeVar("T")
_FLAGS = os.O_CLOEXEC
_FILE_BYTES = 4096
_GONE = frozenset({errno.ENODEV, errno.ENXIO, errno.ENOENT, errno.ESTALE})


class SysfsMachine:
    """Files below `sys`, which is /sys or a tree that has the same files. Carries out steps within one scope.

    Raises InputError where `sys` is this host's own /sys under another name.
    """

    def __init__(self, sys: str, scope: Scope) -> None:
        self._sys = os.path.realpath(sys)
        self._scope = scope
        self._configs: dict[tuple[str, int], int] = {}
        self._writes: dict[str, _FileWrite] = {}
        self._events: dict[str, LinkEvents] = {}
        self._refuse_live(os.stat(self._sys).st_dev, sys)

    def read(self, address: str, offset: int, size: int) -> int | None:
        """Exactly these bytes of a function's config file; None where they are not to be had."""
        try:
            data = self._transfer(address, os.O_RDONLY, lambda file: os.pread(file, size, offset))
        except OSError:
            return None
        return int.from_bytes(data, "little") if len(data) == size else None

    def write(self, address: str, offset: int, size: int, value: int, mask: int) -> None:
        """Write exactly these bytes of a function's config file. Raises OSError, and NotPermitted by the tables."""
        register_at(self._scope, address, offset, size, mask)
        data = value.to_bytes(size, "little")
        written = self._transfer(address, os.O_WRONLY, lambda file: os.pwrite(file, data, offset))
        if written != size:
            raise OSError(errno.EIO, f"{written} of {size} bytes were taken")

    def read_file(self, path: str) -> str | None:
        """The text of a small file below /sys, without white space around it."""
        try:
            with open(f"{self._sys}/{path}", "rb", buffering=0) as file:
                return file.read(_FILE_BYTES).decode("utf-8", "replace").strip()
        except OSError:
            return None

    def traced(self, port: str) -> int | None:
        """How many events of a port's link the kernel traced since it was first asked; None for a tree."""
        if self._sys != LIVE_SYS:
            return None
        if port not in self._events:
            self._events[port] = LinkEvents(port)
        return self._events[port].count()

    def begin(self, path: str, text: str) -> None:
        """Begin to write a file below /sys, in a thread: the kernel may take a minute. Raises OSError, NotPermitted."""
        row = file_at(self._scope, path, text)
        if "cooling" in row.path.groupindex and not self._holds_a_port(path):
            raise OSError(errno.EINVAL, "no cooling device of a PCI Express port")
        descriptor = os.open(f"{self._sys}/{path}", os.O_WRONLY | _FLAGS)
        self._refuse_live(os.fstat(descriptor).st_dev, path)
        self._writes[path] = _FileWrite(descriptor, text)

    def finished(self, path: str) -> int | None:
        """None while a write that was begun runs, then 0 or the errno that it ended in."""
        write = self._writes.get(path)
        return errno.EINVAL if write is None else write.result

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        time.sleep(seconds)

    def now(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def settle(self, seconds: float) -> bool:
        """Wait for writes that still run in the kernel; False where one hangs for longer than that."""
        until = time.monotonic() + seconds
        return all(write.wait(max(0.0, until - time.monotonic())) for write in self._writes.values())

    def close(self) -> None:
        """Let the files go."""
        for descriptor in self._configs.values():
            os.close(descriptor)
        self._configs.clear()
        for events in self._events.values():
            events.close()
        self._events.clear()

    def _transfer(self, address: str, access: int, transfer: Callable[[int], T]) -> T:
        """Use an open config file; one whose function went and came back is opened anew, once."""
        try:
            return transfer(self._config(address, access))
        except OSError as error:
            descriptor = self._configs.pop((address, access), None)
            if descriptor is None or error.errno not in _GONE:
                raise
            os.close(descriptor)
        return transfer(self._config(address, access))

    def _config(self, address: str, access: int) -> int:
        descriptor = self._configs.get((address, access))
        if descriptor is None:
            path = f"bus/pci/devices/{address}/config"
            descriptor = os.open(f"{self._sys}/{path}", access | _FLAGS)
            self._refuse_live(os.fstat(descriptor).st_dev, path)
            self._configs[address, access] = descriptor
        return descriptor

    def _holds_a_port(self, path: str) -> bool:
        kind = self.read_file(path.replace("/cur_state", "/type"))
        return kind is not None and kind.startswith(COOLING_TYPE)

    def _refuse_live(self, device: int, where: str) -> None:
        """A tree whose files are those of the kernel would be this host without its guard."""
        if self._sys != LIVE_SYS and kind_of_file_system(device) == "sysfs":
            raise InputError("belongs to this host's own /sys", where=where, remedy="leave --sysfs out")


class _FileWrite:
    """One write to a file of sysfs, in a thread of its own."""

    def __init__(self, descriptor: int, text: str) -> None:
        self.result: int | None = None
        self._thread = threading.Thread(target=self._work, args=(descriptor, text), daemon=True)
        self._thread.start()

    def _work(self, descriptor: int, text: str) -> None:
        try:
            os.write(descriptor, f"{text}\n".encode())
        except OSError as error:
            self.result = error.errno or errno.EIO
        else:
            self.result = 0
        finally:
            os.close(descriptor)

    def wait(self, seconds: float) -> bool:
        """It ended within that time."""
        self._thread.join(seconds)
        return not self._thread.is_alive()
