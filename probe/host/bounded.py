"""Reading functions in a child of its own, bounded in time: a read that hangs on a dead device hangs there.

Such a read cannot be interrupted, only abandoned: the child that hangs is left, another goes on with the rest, and what
did not answer is one entry of what is unread.
"""

import contextlib
import os
import pickle
import select
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Self

import msgspec

from probe.evidence import Evidence, FunctionEvidence, Unread, Why
from probe.exceptions import InternalError, LinkprobeError
from probe.host.files import DEVICES
from probe.host.function import FunctionReader
from probe.host.machine import read_machine
from probe.host.sleep import Sleep
from probe.host.source import DirectorySource, Source

PATIENCE_S = 10.0
"""How long one function may take; reading one takes milliseconds, a completion that times out at most 64 s."""

_LEAST_PATIENCE_S = 0.5
_CHUNK = 65_536
_LENGTH = 4
_FUNCTION, _ERROR = b"f", b"x"
_DECODER = msgspec.msgpack.Decoder(FunctionEvidence)


def read_bounded(
    source: Source, *, wake: bool = False, patience_s: float = PATIENCE_S, within_s: float | None = None
) -> Evidence:
    """The evidence of a source, with what did not answer among what is unread.

    `patience_s` is for each function, `within_s` for all: what is not reached by then is unread too. Raises
    LinkprobeError as reading does.
    """
    if not isinstance(source, DirectorySource):
        return read_machine(source, wake=wake)
    until = None if within_s is None else time.monotonic() + within_s
    return read_machine(source, wake=wake, functions=partial(_functions, source, patience_s, until, wake=wake))


def read_functions(source: DirectorySource, addresses: Sequence[str], *, wake: bool = False) -> list[FunctionEvidence]:
    """The evidence of some functions, read in the same way."""
    return list(_functions(source, PATIENCE_S, None, addresses, wake=wake))


def hung(evidence: Evidence) -> tuple[str, ...]:
    """The functions of which a read did not end."""
    return tuple(item.address for item in evidence.functions if any(part.why is Why.HUNG for part in item.unread))


def _functions(
    source: DirectorySource, patience_s: float, until: float | None, addresses: Sequence[str], *, wake: bool
) -> Iterator[FunctionEvidence]:
    left = list(addresses)
    tried: str | None = None
    at: str | None = None
    wait = 0.0
    while left:
        with _Child(partial(_read_all, source, tuple(left), wake=wake)) as child:
            while left:
                wait = patience_s if until is None else min(patience_s, max(until - time.monotonic(), 0.0))
                found = child.next(wait)
                if found is None:
                    at = child.reading()
                    break
                yield found
                left.pop(0)
        if not left:
            return
        if until is not None and time.monotonic() >= until:
            if wait >= _LEAST_PATIENCE_S:
                yield _given_up(source, left.pop(0), wait)
            yield from (_unreached(source, address) for address in left)
            return
        if at is None or tried == left[0]:
            yield _given_up(source, left.pop(0), patience_s)
        else:
            tried = left[0]
            source.pass_over(at)
        patience_s = max(patience_s / 2, _LEAST_PATIENCE_S)  # many dead devices must not take minutes


def _given_up(source: DirectorySource, address: str, patience_s: float) -> FunctionEvidence:
    return _unread(source, address, Why.HUNG, f"no answer within {patience_s:g} s")


def _unreached(source: DirectorySource, address: str) -> FunctionEvidence:
    return _unread(source, address, Why.FAILED, "the time for reading was over")


def _unread(source: DirectorySource, address: str, why: Why, detail: str) -> FunctionEvidence:
    listed = f"{DEVICES}/{address}"
    target = source.target(listed)
    path = listed if isinstance(target, Unread) else target
    return FunctionEvidence(address=address, path=path[4:], unread=(Unread(path, why, detail),))


def _read_all(source: Source, addresses: Sequence[str], tell: Callable[[bytes], None], *, wake: bool) -> None:
    sleep = Sleep(source)
    for address in addresses:
        tell(_FUNCTION + msgspec.msgpack.encode(FunctionReader(source, address, sleep, wake=wake).read()))


class _Child:
    """A process that does some work and tells what it found, one thing after another."""

    def __init__(self, work: Callable[[Callable[[bytes], None]], None]) -> None:
        self._from, to = os.pipe()
        self._data = b""
        self._pid = os.fork()
        if self._pid == 0:
            _in_child(work, to)
        os.close(to)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Leave the child; one that is stuck in the kernel cannot be waited for."""
        os.close(self._from)
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._pid, signal.SIGKILL)
        until = time.monotonic() + _LEAST_PATIENCE_S
        while os.waitpid(self._pid, os.WNOHANG)[0] == 0 and time.monotonic() < until:
            time.sleep(0.001)

    def next(self, seconds: float) -> FunctionEvidence | None:
        """What comes next; None where nothing comes in time. Raises what the child met."""
        until = time.monotonic() + seconds
        while True:
            frame = self._frame()
            if frame is not None:
                if frame[:1] == _ERROR:
                    raise pickle.loads(frame[1:])  # noqa: S301 - written by our own child
                return _DECODER.decode(frame[1:])
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


def _in_child(work: Callable[[Callable[[bytes], None]], None], to: int) -> None:
    """Do the work and end. No file of the parent stays open: a child that hangs must hold no lock and no pipe."""

    def tell(data: bytes) -> None:
        view = memoryview(len(data).to_bytes(_LENGTH, "little") + data)
        while view:
            view = view[os.write(to, view) :]

    try:
        _close_all_but(to)
        work(tell)
    except LinkprobeError as error:
        tell(_ERROR + pickle.dumps(error))
    except BaseException as error:  # noqa: BLE001 - the parent tells it; nothing else may run in this child
        with contextlib.suppress(OSError):
            tell(_ERROR + pickle.dumps(InternalError.of(error)))
    os._exit(0)


def _close_all_but(kept: int) -> None:
    nothing = os.open(os.devnull, os.O_RDWR)
    for standard in range(3):
        os.dup2(nothing, standard)
    os.closerange(3, kept)
    os.closerange(kept + 1, os.sysconf("SC_OPEN_MAX"))
