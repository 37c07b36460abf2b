"""Reading a machine in a child of its own, bounded in time: a read that hangs on a dead device hangs there."""

import os
import pickle
import select
import signal
import time
from collections.abc import Callable
from typing import Self

import msgspec

from probe.evidence import Evidence
from probe.exceptions import InternalError, LinkprobeError
from probe.host.machine import read_machine
from probe.host.source import Source

_CHUNK = 65_536
_EVIDENCE, _ERROR = b"e", b"x"


class Hung(LinkprobeError):
    """Reading did not end in time; `function` is the one it was at, empty where none had begun."""

    def __init__(self, function: str, seconds: float) -> None:
        self.function = function
        self.seconds = seconds
        what = f"did not answer within {seconds:g} s"
        super().__init__(
            what, where=function or "this machine", remedy="look at its power and seating, and at the kernel log"
        )

    def __reduce__(self) -> tuple[Callable[..., Self], tuple[object, ...]]:
        """The same error made again elsewhere."""
        return type(self), (self.function, self.seconds)


def read_bounded(source: Source, seconds: float) -> Evidence:
    """The evidence of a source. Raises Hung after `seconds`, naming the function; LinkprobeError as reading does."""
    progress_read, progress_write = os.pipe()
    result_read, result_write = os.pipe()
    child = os.fork()
    if child == 0:
        _read_in_child(source, progress_write, result_write)
    os.close(progress_write)
    os.close(result_write)
    try:
        return _await(progress_read, result_read, seconds)
    finally:
        os.close(progress_read)
        os.close(result_read)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, os.WNOHANG)  # a child stuck in the kernel cannot be waited for


def _read_in_child(source: Source, progress: int, result: int) -> None:
    def told(address: str) -> None:
        os.write(progress, f"{address}\n".encode())

    try:
        data = _EVIDENCE + msgspec.msgpack.encode(read_machine(source, reading=told))
    except LinkprobeError as error:
        data = _ERROR + pickle.dumps(error)
    except BaseException as error:  # noqa: BLE001 - the parent tells it; nothing else may run in this child
        data = _ERROR + pickle.dumps(InternalError.of(error))
    view = memoryview(data)
    while view:
        view = view[os.write(result, view) :]
    os._exit(0)


def _await(progress: int, result: int, seconds: float) -> Evidence:
    until, last, data = time.monotonic() + seconds, "", b""
    waiting = [progress, result]
    while True:
        ready, _, _ = select.select(waiting, [], [], max(until - time.monotonic(), 0.0))
        if not ready:
            raise Hung(last, seconds)
        if progress in ready:
            text = os.read(progress, _CHUNK).decode()
            if text:
                last = text.split()[-1]
            else:
                waiting.remove(progress)
        if result in ready:
            chunk = os.read(result, _CHUNK)
            if not chunk:
                return _decoded(data)
            data += chunk


def _decoded(data: bytes) -> Evidence:
    """What the child hands back. Raises the error that it met."""
    kind, content = data[:1], data[1:]
    if kind == _EVIDENCE:
        return msgspec.msgpack.decode(content, type=Evidence)
    if kind == _ERROR:
        raise pickle.loads(content)  # noqa: S301 - written by our own child
    what = "the child that reads the machine ended without a word"
    raise InternalError(what, where="collect", remedy="look at the kernel log for what ended it")
