"""Reading a machine in a child of its own, bounded in time: a read that hangs on a dead device hangs there."""

import os
import select
import signal
import time

import msgspec

from probe.evidence import Evidence
from probe.exceptions import LinkprobeError
from probe.host.machine import read_machine
from probe.host.source import Source

_CHUNK = 1 << 16


class Hung(LinkprobeError):
    """Reading did not end in time; `function` is the one it was at, empty where none had begun."""

    def __init__(self, function: str, seconds: float) -> None:
        self.function = function
        what = f"did not answer within {seconds:g} s"
        super().__init__(
            what, where=function or "this machine", remedy="look at its power and seating, and at the kernel log"
        )


class _Failed(msgspec.Struct, tag="failed"):
    sentence: str


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
    status = 1

    def told(address: str) -> None:
        os.write(progress, f"{address}\n".encode())

    try:
        evidence = read_machine(source, reading=told)
        data = msgspec.msgpack.encode(evidence)
        status = 0
    except LinkprobeError as error:
        data = msgspec.msgpack.encode(_Failed(str(error)))
    view = memoryview(data)
    while view:
        view = view[os.write(result, view) :]
    os._exit(status)


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
    try:
        return msgspec.msgpack.decode(data, type=Evidence)
    except msgspec.ValidationError:
        sentence = msgspec.msgpack.decode(data, type=_Failed).sentence
        where, _, rest = sentence.partition(": ")
        what, _, remedy = rest.rpartition("; ")
        raise LinkprobeError(what, where=where, remedy=remedy) from None
