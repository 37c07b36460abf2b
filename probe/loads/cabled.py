"""Frames one way over a cable, from one port to another or back into the same, so many ahead that none need be lost."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Self

import msgspec

from probe.host.network_interfaces import NetworkInterface
from probe.loads.frames import AT_A_CALL, HEAD_BYTES, FrameData, Receiver, Sender
from probe.loads.interface import Context, Target
from probe.loads.phases import Phase

LARGEST_FRAME = 16_384
_AHEAD = 4 * AT_A_CALL
"""Frames on the way at most: a port has room for some hundred until the processor takes them."""
_QUIET_S = 0.3
_COMES_S = 2.0
_ETHERNET_HEAD = 14


class Carried(msgspec.Struct, frozen=True):
    """What arrived in a phase, in how long, and how many frames did not."""

    bytes: int
    seconds: float
    lost: int


class Way:
    """From one port to another."""

    def __init__(
        self, source: NetworkInterface, sink: NetworkInterface, context: Context, target: Target, *, owner: int
    ) -> None:
        self._context = context
        self._target = target
        size = min(source.mtu, sink.mtu, LARGEST_FRAME) + _ETHERNET_HEAD - HEAD_BYTES
        self._frame = size + HEAD_BYTES
        data = FrameData(size, context.options.seed + owner)
        self._receiver = Receiver(sink, data, owner)
        self._sender = Sender(source, sink.hardware, data, owner)
        self._thread = ThreadPoolExecutor(1)
        self._sent = self._arrived = self._lost = 0
        self._came = threading.Event()

    def __enter__(self) -> Self:
        """Ready to carry."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Let the sockets go."""
        self._thread.shutdown()
        self._sender.close()
        self._receiver.close()

    def arrives(self) -> bool:
        """Whether anything comes of what is sent; a port that has just been set up may lose the first."""
        until = time.monotonic() + _COMES_S
        came = 0
        while not came and time.monotonic() < until and not self._context.stop.is_set():
            self._sender.send(0)
            came = self._take()
        while self._take():
            pass
        self._sent = self._arrived = self._lost = 0
        return came > 0

    def carry(self, phase: Phase) -> Carried:
        """Send until the phase is over, and receive and compare what comes."""
        before = (self._sent, self._arrived)
        sending = self._thread.submit(self._send, phase)
        start = last = time.perf_counter()
        while not (sending.done() and (self._on_the_way() <= 0 or time.perf_counter() - last > _QUIET_S)):
            if self._take():
                last = time.perf_counter()
        sending.result()
        self._lost += max(self._on_the_way(), 0)
        arrived = self._arrived - before[1]
        return Carried(arrived * self._frame, last - start, max(self._sent - before[0] - arrived, 0))

    def _on_the_way(self) -> int:
        return self._sent - self._arrived - self._lost

    def _take(self) -> int:
        count, wrong = self._receiver.receive()
        for item in wrong:
            self._context.differs(self._target, item.offset, item.expected, item.found)
        if count:
            self._arrived += count
            self._came.set()
        return count

    def _send(self, phase: Phase) -> None:
        while self._context.goes_on(phase):
            if self._on_the_way() > _AHEAD - AT_A_CALL:
                self._came.clear()
                if not self._came.wait(_QUIET_S):
                    self._lost += max(self._on_the_way(), 0)  # they will not come any more
                continue
            self._sender.send(self._sent)
            self._sent += AT_A_CALL
            self._context.pace(AT_A_CALL * self._frame)
