"""Network interfaces as the kernel shows them (/sys/class/net), and what an Ethernet driver says it can do (ethtool).

Addresses and numbers of calls: linux/sockios.h, linux/ethtool.h.
"""

import array
import errno
import fcntl
import os
import socket
import struct
from pathlib import Path

import msgspec

from probe.evidence import Unread, Why
from probe.host.class_devices import SYS, function_of
from probe.registers.bits import within

_NET = SYS / "class" / "net"
_UP, _RUNNING = 0x1, 0x40
"""IFF_UP, IFF_RUNNING of linux/if.h."""
_NAME_BYTES = 16
_REQUEST = f"={_NAME_BYTES}sH22x"
_SIOCGIFFLAGS = 0x8913
_SIOCETHTOOL = 0x8946
_GSSET_INFO, _GSTRINGS, _GFEATURES = 0x37, 0x1B, 0x3A
_FEATURES = 4
"""ETH_SS_FEATURES."""
_STRING_BYTES, _WORD_BITS = 32, 32


class NetworkInterface(msgspec.Struct, frozen=True, kw_only=True):
    """One interface: the function it is of, its hardware address, the most it sends in a frame, and who uses it.

    `uppers` are the interfaces that are made of it.
    """

    name: str
    address: str | None
    hardware: bytes
    mtu: int
    up: bool
    uppers: tuple[str, ...]


def network_interface(name: str) -> NetworkInterface | None:
    """An interface by its name; None where there is none of it here."""
    entry = _NET / name
    if "/" in name or name in {"", ".", ".."} or not entry.is_dir():
        return None
    uppers = tuple(sorted(found.name.removeprefix("upper_") for found in entry.glob("upper_*")))
    return NetworkInterface(
        name=name,
        address=function_of(entry),
        hardware=bytes.fromhex(_text(entry / "address").replace(":", "")),
        mtu=int(_text(entry / "mtu")),
        up=bool(within(int(_text(entry / "flags"), 16), _UP)),
        uppers=uppers,
    )


def has_carrier(name: str) -> bool:
    """Whether something is at the other end of the cable; only an interface that is up knows.

    Asked by a call, since /sys shows the interfaces of the namespace that it was mounted in.
    """
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            found = fcntl.ioctl(asked, _SIOCGIFFLAGS, struct.pack(_REQUEST, os.fsencode(name), 0))
    except OSError:
        return False
    return bool(within(struct.unpack(_REQUEST, found)[1], _RUNNING))


def offers_loopback(name: str) -> bool | Unread:
    """Whether the driver can send back what it is given to send (the feature `loopback` of ethtool(8))."""
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            count = _ask(asked, name, struct.pack("=IIQI", _GSSET_INFO, 0, 2**_FEATURES, 0))
            number = struct.unpack_from("=IIQI", count)[3]
            strings = _ask(
                asked, name, struct.pack("=III", _GSTRINGS, _FEATURES, number) + bytes(number * _STRING_BYTES)
            )
            names = [strings[at : at + _STRING_BYTES].rstrip(b"\0") for at in range(12, len(strings), _STRING_BYTES)]
            words = -(-number // _WORD_BITS)
            features = _ask(asked, name, struct.pack("=II", _GFEATURES, words) + bytes(words * 16))
    except OSError as error:
        if error.errno == errno.EOPNOTSUPP:
            return False
        return Unread(name, Why.FAILED, error.strerror or "")
    if b"loopback" not in names:
        return False
    at = names.index(b"loopback")
    available, _, active, _ = struct.unpack_from("=4I", features, 8 + at // _WORD_BITS * 16)
    return any(within(words, 2 ** (at % _WORD_BITS)) for words in (available, active))


def _ask(asked: socket.socket, name: str, request: bytes) -> bytes:
    """What the driver answers to one request of ethtool, in its place. Raises OSError."""
    data = array.array("B", request)
    address, _ = data.buffer_info()
    fcntl.ioctl(asked, _SIOCETHTOOL, struct.pack(f"{_NAME_BYTES}sP", os.fsencode(name), address))
    return data.tobytes()


def _text(path: Path) -> str:
    return path.read_text().strip()
