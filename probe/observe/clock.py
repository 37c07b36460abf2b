"""The time that watching goes by, handed in so that a test needs none of its own."""

import threading
import time
from typing import Protocol


class Clock(Protocol):
    """Seconds that never go backwards, and waiting for them to pass."""

    def now(self) -> float:
        """Seconds since a fixed moment; on a host, since boot, with the time it was suspended."""

    def suspended_s(self) -> float:
        """Of those, the seconds for which the host was suspended."""

    def calendar_ahead_s(self) -> float:
        """How far the calendar, in seconds of the epoch, is ahead of `now`."""

    def wait(self, seconds: float) -> None:
        """Return after so long, or at once after `wake`."""

    def wake(self) -> None:
        """End a wait, and every later one; may be called by a signal handler."""


class BootClock:
    """The host's boot clock. It counts while the host is suspended and knows no leap of the calendar."""

    def __init__(self) -> None:
        self._woken = threading.Event()

    def now(self) -> float:
        """Seconds since boot; see Clock."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def suspended_s(self) -> float:
        """What the monotonic clock lacks; see Clock."""
        return self.now() - time.clock_gettime(time.CLOCK_MONOTONIC)

    def calendar_ahead_s(self) -> float:
        """See Clock."""
        return time.time() - self.now()

    def wait(self, seconds: float) -> None:
        """Wait; see Clock."""
        self._woken.wait(max(seconds, 0.0))

    def wake(self) -> None:
        """End waiting; see Clock."""
        self._woken.set()
