"""A disk for the emulator that damages what is read from it, exactly as told and no more.

The wire format is that of the NBD protocol's own document (github.com/NetworkBlockDevice/nbd, doc/proto.md): fixed
newstyle negotiation, simple replies.
"""

import socket
import struct
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

Damage = Callable[[int, bytearray], None]
"""Changes what is about to be sent: the offset of its first byte, and the bytes."""

_OPTION, _OPTION_REPLY = 0x49484156454F5054, 0x3E889045565A9
_REQUEST, _REPLY = 0x25609513, 0x67446698
_GO, _ABORT = 7, 2
_ACK, _INFO, _UNSUPPORTED = 1, 3, 0x80000001
_HAS_FLAGS, _SENDS_FLUSH = 1, 4
_READ, _WRITE, _DISCONNECT = 0, 1, 2


class DamagingDisk:
    """A disk of so many bytes, served on a socket while it is open."""

    def __init__(self, path: Path, size: int, damage: Damage) -> None:
        self.path = path
        self.written = bytearray(size)
        self._damage = damage
        self._listening = socket.socket(socket.AF_UNIX)

    def __enter__(self) -> Self:
        self._listening.bind(str(self.path))
        self._listening.listen()
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._listening.close()

    def drive(self, name: str) -> str:
        """The emulator's -drive for it."""
        return f"file=nbd:unix:{self.path},if=none,id={name},format=raw,cache=none"

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with connection, connection.makefile("rwb") as stream:
            stream.write(b"NBDMAGIC" + struct.pack(">QH", _OPTION, 3))
            stream.flush()
            stream.read(4)
            while True:
                _, option, length = struct.unpack(">QII", stream.read(16))
                stream.read(length)
                if option == _GO:
                    export = struct.pack(">HQH", 0, len(self.written), _HAS_FLAGS | _SENDS_FLUSH)
                    stream.write(_answer(option, _INFO, export) + _answer(option, _ACK))
                    stream.flush()
                    break
                stream.write(_answer(option, _ACK if option == _ABORT else _UNSUPPORTED))
                stream.flush()
            while header := stream.read(28):
                _, _, kind, cookie, offset, length = struct.unpack(">IHHQQI", header)
                if kind == _DISCONNECT:
                    return
                data = bytearray()
                if kind == _WRITE:
                    self.written[offset : offset + length] = stream.read(length)
                elif kind == _READ:
                    data = self.written[offset : offset + length]
                    self._damage(offset, data)
                stream.write(struct.pack(">IIQ", _REPLY, 0, cookie) + data)
                stream.flush()


def _answer(option: int, kind: int, data: bytes = b"") -> bytes:
    return struct.pack(">QIII", _OPTION_REPLY, option, kind, len(data)) + data


def flipping(where: int, bit: int = 0) -> Damage:
    """One bit of one byte, in every read that covers it."""

    def damage(offset: int, data: bytearray) -> None:
        if offset <= where < offset + len(data):
            data[where - offset] ^= 1 << bit

    return damage
