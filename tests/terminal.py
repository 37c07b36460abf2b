"""A program on a terminal of a size, seen as a person sees it: a pseudo terminal, and an emulator that reads it."""

import fcntl
import os
import pty
import select
import struct
import termios
import time
from collections.abc import Callable, Sequence

import pyte

_PATIENCE_S = 60.0


class Terminal:
    """One program on its terminal."""

    def __init__(self, command: Sequence[str], columns: int, lines: int, **environment: str) -> None:
        self._screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self._screen)
        self.written = b""
        self.process, self._terminal = pty.fork()
        if self.process == 0:
            fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
            for name in ("COLUMNS", "LINES"):
                os.environ.pop(name, None)
            os.environ.update({"TERM": "xterm-256color"} | environment)
            os.execvp(command[0], list(command))  # noqa: S606 - no shell is wanted

    @property
    def lines(self) -> list[str]:
        """What is seen."""
        return [line.rstrip() for line in self._screen.display]

    def until(self, seen: Callable[[list[str]], bool]) -> list[str]:
        """What is seen once it is so; fails where that takes too long, or the program ends before."""
        end = time.monotonic() + _PATIENCE_S
        while not seen(self.lines):
            assert time.monotonic() < end, self.lines
            assert self._read(), self.lines
        return self.lines

    def _read(self) -> bool:
        if not select.select([self._terminal], [], [], 0.1)[0]:
            return True
        try:
            data = os.read(self._terminal, 65_536)
        except OSError:  # the other end is closed
            return False
        self.written += data
        self._stream.feed(data)
        return True

    def type(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self._terminal, keys)

    def close(self) -> int:
        """Read to the end; the exit status."""
        while self._read():
            pass
        os.close(self._terminal)
        return os.waitstatus_to_exitcode(os.waitpid(self.process, 0)[1])

    def hang_up(self) -> int:
        """Close the terminal under the program; its exit status."""
        os.close(self._terminal)
        return os.waitstatus_to_exitcode(os.waitpid(self.process, 0)[1])
