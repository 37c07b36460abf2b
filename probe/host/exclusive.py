"""Holding disks exclusively for a time: the kernel's own word on whether anybody else does.

An open with O_EXCL fails with EBUSY for a disk that is mounted, holds swap, or is a part of another device, of whatever
kind (kernel `bd_may_claim`); while it is held, nothing can be mounted from the disk or its partitions.
"""

import errno
import os
from collections.abc import Iterable
from pathlib import Path

import msgspec


class Refused(msgspec.Struct, frozen=True):
    """A disk that could not be held; `busy` where the kernel said that somebody else holds it."""

    name: str
    busy: bool
    why: str


class ExclusiveHold:
    """Disks held until they are let go."""

    def __init__(self, dev: Path = Path("/dev")) -> None:
        self._dev = dev
        self._held: dict[str, int] = {}

    def take(self, names: Iterable[str]) -> tuple[Refused, ...]:
        """Hold these whole disks, by name, besides those held already; gives those that could not be held."""
        refused = []
        for name in names:
            if name in self._held:
                continue
            try:
                path = self._dev / name.replace("!", "/")
                self._held[name] = os.open(path, os.O_RDONLY | os.O_EXCL | os.O_NONBLOCK | os.O_CLOEXEC)
            except OSError as error:
                busy = error.errno == errno.EBUSY
                if error.errno != errno.ENOMEDIUM:  # a drive without a medium holds nothing
                    refused.append(Refused(name, busy, error.strerror or str(error)))
        return tuple(refused)

    def let_go(self) -> None:
        """Let all of them go."""
        for descriptor in self._held.values():
            os.close(descriptor)
        self._held.clear()
