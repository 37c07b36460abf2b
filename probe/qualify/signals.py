"""Whether somebody asked for the end, also while a step handles signals itself: the interpreter notes each number.

May live here: the signals of this process.
"""

import contextlib
import signal
import socket
import threading
from types import FrameType
from typing import Self

_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Asked:
    """While it is open, orders to end are remembered and do nothing else, except in a step that heeds them."""

    def __init__(self) -> None:
        self._first: signal.Signals | None = None
        self._event = threading.Event()
        self._ours, self._theirs = socket.socketpair()
        self._main = threading.current_thread() is threading.main_thread()
        self._before: dict[signal.Signals, object] = {}

    def __enter__(self) -> Self:
        """Begin to remember."""
        self._ours.settimeout(0.0)
        self._theirs.settimeout(0.0)
        if self._main:
            self._before = {number: signal.signal(number, self._take) for number in _SIGNALS}
            signal.set_wakeup_fd(self._theirs.fileno(), warn_on_full_buffer=False)
        return self

    def __exit__(self, *_: object) -> None:
        """Be as before."""
        if self._main:
            signal.set_wakeup_fd(-1)
            for number, handler in self._before.items():
                signal.signal(number, handler)  # type: ignore[arg-type] # what it gave us
        self._ours.close()
        self._theirs.close()

    @property
    def by(self) -> signal.Signals | None:
        """The first signal that asked for the end; None where none did."""
        with contextlib.suppress(BlockingIOError):
            for number in self._ours.recv(4096):
                if number in set(_SIGNALS):
                    self._first = self._first or signal.Signals(number)
        return self._first

    def wait(self, seconds: float) -> None:
        """Let time pass, or be woken by a signal."""
        self._event.wait(seconds)

    def _take(self, number: int, _: FrameType | None) -> None:
        self._first = self._first or signal.Signals(number)
        self._event.set()
