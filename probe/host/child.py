"""A process that reads for us and tells what it found: a read that hangs on a dead device hangs there.

Such a read cannot be interrupted, only abandoned: the child is left, and another goes on with the rest.
"""

import contextlib
import os
import pickle
import select
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

from probe.exceptions import InternalError, LinkprobeError

PATIENCE_S = 10.0
"""How long one function may take; reading one takes milliseconds, a completion that times out at most 64 s."""

LEAST_PATIENCE_S = 0.5
"""Each that does not answer halves the patience with those after it, down to this: many dead must not take minutes."""

_CHUNK = 65_536
_LENGTH = 4
_FOUND, _ERROR = b"f", b"x"
_LEFT_TO_THE_PARENT = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

Tell = Callable[[bytes], None]
Work = Callable[[Tell, Iterator[None]], None]
"""What the child does: it tells what it found, and may wait each time until it is asked."""


class Child:
    """The process, for as long as it is wanted."""

    def __init__(self, work: Work) -> None:
        self._from, to = os.pipe()
        asked, self._ask = os.pipe()
        self._data = b""
        self._pid = os.fork()
        if self._pid == 0:
            _in_child(work, to, asked)
        os.close(to)
        os.close(asked)

    def __enter__(self) -> Self:
        """The child, at work."""
        return self

    def __exit__(self, *_: object) -> None:
        """Let it go."""
        self.leave()

    def leave(self) -> None:
        """Let the child go; one that is stuck in the kernel cannot be waited for."""
        os.close(self._from)
        os.close(self._ask)
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._pid, signal.SIGKILL)
        until = time.monotonic() + LEAST_PATIENCE_S
        while os.waitpid(self._pid, os.WNOHANG)[0] == 0 and time.monotonic() < until:
            time.sleep(0.001)

    def ask(self) -> None:
        """Have it go on."""
        with contextlib.suppress(BrokenPipeError):  # that it is gone is told where its answer is missed
            os.write(self._ask, b"\0")

    def next(self, seconds: float) -> bytes | None:
        """What it found next; None where nothing comes in time. Raises what the child met."""
        until = time.monotonic() + seconds
        while True:
            frame = self._frame()
            if frame is not None:
                if frame[:1] == _ERROR:
                    raise pickle.loads(frame[1:])  # noqa: S301 - written by our own child
                return frame[1:]
            if not select.select([self._from], [], [], max(until - time.monotonic(), 0.0))[0]:
                return None
            chunk = os.read(self._from, _CHUNK)
            if not chunk:
                what = "the child that reads the machine ended without a word"
                raise InternalError(what, where="reading", remedy="look at the kernel log for what ended it")
            self._data += chunk

    def _frame(self) -> bytes | None:
        end = _LENGTH + int.from_bytes(self._data[:_LENGTH], "little")
        if len(self._data) < max(end, _LENGTH + 1):
            return None
        frame, self._data = self._data[_LENGTH:end], self._data[end:]
        return frame

    def reading(self) -> str | None:
        """The file that the child is reading, as the system names it: it has no other file open than that."""
        try:
            paths = [os.fspath(entry.readlink()) for entry in Path(f"/proc/{self._pid}/fd").iterdir()]
        except OSError:
            return None
        files = [path for path in paths if path.startswith("/") and path != os.devnull]
        return files[0] if len(files) == 1 else None


def _in_child(work: Work, to: int, asked: int) -> None:
    """Do the work and end. No file of the parent stays open: a child that hangs must hold no lock and no pipe."""

    def tell(data: bytes, kind: bytes = _FOUND) -> None:
        view = memoryview((len(data) + 1).to_bytes(_LENGTH, "little") + kind + data)
        while view:
            view = view[os.write(to, view) :]

    def questions() -> Iterator[None]:
        while os.read(asked, 1):
            yield

    try:
        for number in _LEFT_TO_THE_PARENT:
            signal.signal(number, signal.SIG_IGN)
        _close_all_but({to, asked})
        work(tell, questions())
    except LinkprobeError as error:
        tell(pickle.dumps(error), _ERROR)
    except BaseException as error:  # noqa: BLE001 - the parent tells it; nothing else may run in this child
        with contextlib.suppress(OSError):
            tell(pickle.dumps(InternalError.of(error)), _ERROR)
    os._exit(0)


def _close_all_but(kept: set[int]) -> None:
    nothing = os.open(os.devnull, os.O_RDWR)
    for standard in range(3):
        os.dup2(nothing, standard)
    start = 3
    for descriptor in sorted(kept):
        os.closerange(start, descriptor)
        start = descriptor + 1
    os.closerange(start, os.sysconf("SC_OPEN_MAX"))
