"""Ethernet frames, each with a number and the data that belongs to it, sent and received many at a call.

A frame is two hardware addresses, a type for local experiments (IEEE Std 802: 88B5h), a number, whose it is, and data.
The data come round after a prime number of frames, so that none lands in a buffer that held the same before.
"""

import contextlib
import ctypes
import errno
import mmap
import os
import socket
import struct
import time
from array import array
from collections.abc import Iterator

from probe.host.network_interfaces import NetworkInterface
from probe.loads.patterns import Pattern, address_of, around, first_difference

AT_A_CALL = 251
HEAD_BYTES = 32
_TYPE = 0x88B5
_OWNER_WORD, _NUMBER_WORD, _HEAD_WORDS = 3, 2, 4
_SOL_PACKET, _PACKET_IGNORE_OUTGOING = 263, 23
_SO_RCVBUFFORCE, _SO_SNDBUFFORCE = 33, 32
"""linux/socket.h, linux/if_packet.h, asm-generic/socket.h."""
_BUFFER_BYTES = 64 << 20
_PATIENCE_S = 0.05
_WAIT_FOR_ONE = 0x10000
"""MSG_WAITFORONE of recvmmsg(2)."""
_FULL = (errno.ENOBUFS, errno.EAGAIN, errno.EINTR)


class _Piece(ctypes.Structure):
    _fields_ = (("base", ctypes.c_void_p), ("length", ctypes.c_size_t))


class _Header(ctypes.Structure):
    _fields_ = (
        ("name", ctypes.c_void_p), ("name_length", ctypes.c_uint32), ("pieces", ctypes.POINTER(_Piece)),
        ("count", ctypes.c_size_t), ("control", ctypes.c_void_p), ("control_length", ctypes.c_size_t),
        ("flags", ctypes.c_int),
    )  # fmt: skip


class _Message(ctypes.Structure):
    """A mmsghdr of sendmmsg(2)."""

    _fields_ = (("header", _Header), ("moved", ctypes.c_uint))


_libc = ctypes.CDLL(None, use_errno=True)


class _Batch:
    """As many messages as go at a call, each a head of its own and data of its own in the memory at `data`."""

    def __init__(self, size: int, data: int) -> None:
        self.heads = mmap.mmap(-1, AT_A_CALL * HEAD_BYTES)
        self._pieces = (_Piece * (2 * AT_A_CALL))()
        self._messages = (_Message * AT_A_CALL)()
        head = address_of(self.heads)
        for number in range(AT_A_CALL):
            first, second = self._pieces[2 * number], self._pieces[2 * number + 1]
            first.base, first.length = head + number * HEAD_BYTES, HEAD_BYTES
            second.base, second.length = data + number * size, size
            header = self._messages[number].header
            header.pieces, header.count = ctypes.pointer(first), 2

    def word(self, which: int) -> "memoryview[int]":
        """One word of each head."""
        return memoryview(self.heads).cast("Q")[which::_HEAD_WORDS]

    def send(self, descriptor: int) -> None:
        """Send all. Raises OSError."""
        done = 0
        while done < AT_A_CALL:
            moved = _libc.sendmmsg(descriptor, ctypes.byref(self._messages[done]), AT_A_CALL - done, 0)
            if moved >= 0:
                done += moved
            elif ctypes.get_errno() in _FULL:
                time.sleep(0)  # the interface sends as fast as it can
            else:
                raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))

    def receive(self, descriptor: int) -> int:
        """How many came, after a short wait 0. Raises OSError."""
        count: int = _libc.recvmmsg(descriptor, self._messages, AT_A_CALL, _WAIT_FOR_ONE, None)
        if count < 0 and ctypes.get_errno() not in _FULL:
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
        return max(count, 0)

    def moved(self, number: int) -> int:
        """How many bytes a message had."""
        return int(self._messages[number].moved)


class FrameData:
    """What frames carry: seeded data, another for each of a whole round of frames, twice over."""

    def __init__(self, size: int, seed: int) -> None:
        self.size = size
        self._memory = mmap.mmap(-1, 2 * AT_A_CALL * size)
        Pattern(self.of(0), AT_A_CALL, size, seed)
        ctypes.memmove(self.of(0) + AT_A_CALL * size, self.of(0), AT_A_CALL * size)

    def of(self, number: int) -> int:
        """Where the data of the frame of this number lies; those of the following frames lie behind it."""
        return address_of(self._memory) + number % AT_A_CALL * self.size


class Sender:
    """Frames out of one interface to one hardware address."""

    def __init__(self, interface: NetworkInterface, to: bytes, data: FrameData, owner: int) -> None:
        self._socket = _open(interface.name, receives=False)
        self._batch = _Batch(data.size, data.of(0))
        head = struct.pack("!6s6sHxx", to, interface.hardware, _TYPE) + bytes(16)
        self._batch.heads[:] = head * AT_A_CALL
        self._batch.word(_OWNER_WORD)[:] = array("Q", [owner]) * AT_A_CALL

    def send(self, first: int) -> None:
        """The frames from this number on, which begins a round; as many as go at a call. Raises OSError."""
        self._batch.word(_NUMBER_WORD)[:] = array("Q", range(first, first + AT_A_CALL))
        self._batch.send(self._socket.fileno())

    def close(self) -> None:
        """Let the socket go."""
        self._socket.close()


class Wrong:
    """A frame that came other than it went: where in all data that was sent, what was expected and found there."""

    def __init__(self, offset: int, expected: bytes, found: bytes) -> None:
        self.offset = offset
        self.expected = expected
        self.found = found


class Receiver:
    """Frames of one owner into one interface, each compared."""

    def __init__(self, interface: NetworkInterface, data: FrameData, owner: int) -> None:
        self._socket = _open(interface.name, receives=True)
        self._data = data
        self._owner = owner
        self._memory = mmap.mmap(-1, AT_A_CALL * data.size)
        self._batch = _Batch(data.size, address_of(self._memory))

    def receive(self) -> tuple[int, list[Wrong]]:
        """How many frames of the owner came, after a short wait 0, and those that are wrong. Raises OSError."""
        count = self._batch.receive(self._socket.fileno())
        if count == 0:
            return 0, []
        numbers = self._batch.word(_NUMBER_WORD)[:count].tolist()
        whole = self._batch.moved(count - 1) == self._batch.moved(0) == HEAD_BYTES + self._data.size
        in_order = numbers[-1] - numbers[0] == count - 1 and numbers == list(range(numbers[0], numbers[0] + count))
        ours = set(self._batch.word(_OWNER_WORD)[:count].tolist()) == {self._owner}
        if whole and in_order and ours and self._differs(0, numbers[0], count) is None:
            return count, []
        return self._one_by_one(numbers)

    def _differs(self, at: int, number: int, count: int = 1) -> int | None:
        found = address_of(self._memory) + at * self._data.size
        return first_difference(self._data.of(number), found, count * self._data.size)

    def _one_by_one(self, numbers: list[int]) -> tuple[int, list[Wrong]]:
        owners = self._batch.word(_OWNER_WORD)[: len(numbers)].tolist()
        own = [at for at, owner in enumerate(owners) if owner == self._owner]
        return len(own), [wrong for at in own for wrong in self._wrong(at, numbers[at])]

    def _wrong(self, at: int, number: int) -> Iterator[Wrong]:
        size = self._data.size
        differs = self._differs(at, number)
        if differs is not None:
            found = address_of(self._memory) + at * size
            yield Wrong(
                number * size + differs, around(self._data.of(number), differs, size), around(found, differs, size)
            )

    def close(self) -> None:
        """Let the socket go."""
        self._socket.close()


def _open(name: str, *, receives: bool) -> socket.socket:
    """A socket for our frames at one interface. Raises OSError."""
    kind = _TYPE if receives else 0
    opened = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(kind))
    try:
        if receives:
            opened.setsockopt(_SOL_PACKET, _PACKET_IGNORE_OUTGOING, 1)
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("ll", 0, int(_PATIENCE_S * 1e6)))
        with contextlib.suppress(OSError):
            opened.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE if receives else _SO_SNDBUFFORCE, _BUFFER_BYTES)
        opened.bind((name, kind))
    except OSError:
        opened.close()
        raise
    return opened
