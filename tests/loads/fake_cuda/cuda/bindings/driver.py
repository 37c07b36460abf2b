"""A made-up driver with the calls of NVIDIA's binding that the loads use: its devices are made of host memory.

Its time is its own: a copy takes its bytes over the rate of a link that carries one copy a way at a time. So every
rate that is measured by its events is known exactly beforehand, whatever the processor does. Set by the environment,
which a load's process inherits: FAKE_CUDA_DEVICES, FAKE_CUDA_BYTES_S (one way), FAKE_CUDA_FLIPS (a bit every so many
copies to the host).
"""

import ctypes
import itertools
import os
import threading
from typing import Any

DEVICES = int(os.environ.get("FAKE_CUDA_DEVICES", "2"))
BYTES_S = float(os.environ.get("FAKE_CUDA_BYTES_S", "50e9"))
FLIPS = int(os.environ.get("FAKE_CUDA_FLIPS", "0"))
FLIPPED_AT = 12_345

SUCCESS, INVALID, NOT_READY = 0, 1, 600

_buffers: dict[int, Any] = {}
_busy_until: dict[tuple[int, str], float] = {}
_now: dict[int, float] = {}
_copies_up = itertools.count(1)
_thread = threading.local()


def _current() -> int:
    """The context of this thread."""
    context: int = getattr(_thread, "context", 0)
    return context


class Stream:
    def __init__(self) -> None:
        self.time = 0.0


class Event:
    def __init__(self) -> None:
        self.time: float | None = None


def cuInit(flags: int) -> tuple[int]:
    return (SUCCESS,)


def cuDeviceGetCount() -> tuple[int, int]:
    return SUCCESS, DEVICES


def cuDeviceGet(number: int) -> tuple[int, int]:
    return SUCCESS, number


def cuDeviceGetPCIBusId(length: int, device: int) -> tuple[int, bytes]:
    return SUCCESS, f"0000:{device + 1:02X}:00.0".encode().ljust(length, b"\0")


def cuDeviceGetByPCIBusId(text: bytes) -> tuple[int, int]:
    return SUCCESS, int(text.split(b":")[1], 16) - 1


def cuDevicePrimaryCtxRetain(device: int) -> tuple[int, int]:
    return SUCCESS, device


def cuDevicePrimaryCtxRelease(device: int) -> tuple[int]:
    return (SUCCESS,)


def cuCtxSetCurrent(context: int) -> tuple[int]:
    _thread.context = context
    return (SUCCESS,)


def cuDeviceCanAccessPeer(device: int, peer: int) -> tuple[int, int]:
    return SUCCESS, int(device != peer)


def cuCtxEnablePeerAccess(context: int, flags: int) -> tuple[int]:
    return (INVALID if context == _current() else SUCCESS,)


def cuCtxSynchronize() -> tuple[int]:
    return (SUCCESS,)


def _allocate(size: int) -> tuple[int, int]:
    buffer = ctypes.create_string_buffer(size)
    address = ctypes.addressof(buffer)
    _buffers[address] = buffer
    return SUCCESS, address


def cuMemHostAlloc(size: int, flags: int) -> tuple[int, int]:
    return _allocate(size)


cuMemAlloc = _allocate


def cuMemFree(address: int) -> tuple[int]:
    del _buffers[address]
    return (SUCCESS,)


cuMemFreeHost = cuMemFree


def cuStreamCreate(flags: int) -> tuple[int, Stream]:
    return SUCCESS, Stream()


def cuStreamDestroy(stream: Stream) -> tuple[int]:
    return (SUCCESS,)


def cuEventCreate(flags: int) -> tuple[int, Event]:
    return SUCCESS, Event()


def cuEventDestroy(event: Event) -> tuple[int]:
    return (SUCCESS,)


def cuEventRecord(event: Event, stream: Stream) -> tuple[int]:
    event.time = max(stream.time, _now.get(_current(), 0.0))
    return (SUCCESS,)


def cuEventSynchronize(event: Event) -> tuple[int]:
    if event.time is None:
        return (INVALID,)
    _now[_current()] = max(_now.get(_current(), 0.0), event.time)
    return (SUCCESS,)


def cuEventElapsedTime(begin: Event, end: Event) -> tuple[int, float]:
    if begin.time is None or end.time is None:
        return INVALID, 0.0
    return SUCCESS, (end.time - begin.time) * 1000.0


def cuStreamWaitEvent(stream: Stream, event: Event, flags: int) -> tuple[int]:
    if event.time is None:
        return (INVALID,)
    stream.time = max(stream.time, event.time)
    return (SUCCESS,)


def _copy(target: int, source: int, size: int, way: str, stream: Stream) -> tuple[int]:
    ctypes.memmove(target, source, size)
    link = (_current(), way)
    begin = max(stream.time, _busy_until.get(link, 0.0), _now.get(_current(), 0.0))
    stream.time = _busy_until[link] = begin + size / BYTES_S
    return (SUCCESS,)


def cuMemcpyHtoD(target: int, source: int, size: int) -> tuple[int]:
    ctypes.memmove(target, source, size)
    return (SUCCESS,)


def cuMemcpyDtoH(target: int, source: int, size: int) -> tuple[int]:
    ctypes.memmove(target, source, size)
    return (SUCCESS,)


def cuMemcpyPeerAsync(target: int, to: int, source: int, at: int, size: int, stream: Stream) -> tuple[int]:
    if to == at:
        return (INVALID,)
    return _copy(target, source, size, f"to {to}", stream)


def cuMemcpyHtoDAsync(target: int, source: int, size: int, stream: Stream) -> tuple[int]:
    return _copy(target, source, size, "down", stream)


def cuMemcpyDtoHAsync(target: int, source: int, size: int, stream: Stream) -> tuple[int]:
    done = _copy(target, source, size, "up", stream)
    if FLIPS and next(_copies_up) % FLIPS == 0:
        ctypes.c_ubyte.from_address(target + FLIPPED_AT).value ^= 0b100
    return done
