"""Changes that know what they change: a document stays one, a tar stays one, and what is in it becomes odd."""

import io
import json
import tarfile
from collections.abc import Callable, Iterator
from copy import deepcopy
from random import Random
from typing import Any

import msgspec

Mutation = Callable[[bytes, Random], bytes]
NUMBERS = (0, 1, -1, 2, 63, 64, 255, 256, 4095, 4096, 65535, 2**31, 2**32 - 1, 2**63 - 1, -(2**63), 2**64, 10**30,
           0.0, -0.5, 1e-300, 1e300, 16.0)  # fmt: skip
TEXTS = ("", " ", "0", "-1", "0x", "ffff", "unknown", "Unknown", "a\x1b[31mb", "a\nb", "\u202e", "\ud800", "\0",
         "[b]x[/b]", "=1+1", "x" * 5000, "0000:01:00.0", "0000:00:01.0", "0000:ff:1f.7", "16.0 GT/s PCIe",
         "2.5 GT/s PCIe", "255", "6/2h", "1/0h", "99999999999999999999/1h", "2026-01-01T00:00:00+00:00",
         "0001-01-01T00:00:00+14:00",
         "9999-12-31T23:59:59-14:00", "nan", "inf", "D3cold", "*", "?", "[", "../../x", "9" * 400,
)  # fmt: skip
_HEADER_BYTES = 64
_ODD: tuple[Any, ...] = (*NUMBERS, *TEXTS, None, True, [], {}, [[]], [None], {"": None})


def of_bytes(data: bytes, chance: Random) -> bytes:
    """A few bytes changed, put in, taken out or repeated."""
    found = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 4, 16))):
        at = chance.randrange(len(found) + 1)
        match chance.randrange(4):
            case 0 if at < len(found):
                found[at] = chance.choice((0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)))
            case 1:
                found[at:at] = chance.randbytes(chance.choice((1, 2, 4)))
            case 2:
                del found[at : at + chance.choice((1, 2, 4, 64))]
            case _:
                end = at + chance.choice((1, 4, 16, 64))
                found[at:at] = found[at:end]
    return bytes(found)


def of_words(data: bytes, chance: Random) -> bytes:
    """Double words of a config space: pointers and ids of its lists, values of all ones, an end too early."""
    found = bytearray(data)
    for _ in range(chance.choice((1, 2, 4, 8))):
        if len(found) < _HEADER_BYTES:
            return of_bytes(bytes(found), chance)
        at = chance.randrange(len(found) // 4) * 4
        match chance.randrange(6):
            case 0:
                found[at] = chance.choice((0x01, 0x05, 0x09, 0x10, 0x11, 0x12, 0xFF))
                found[at + 1] = chance.choice((0, at & 0xFF, 0x34, 0x40, 0xFC, chance.randrange(256)))
            case 1:
                header = chance.choice((0, 1, 2, 3, 0x0B, 0x19, 0x1D, 0x23, 0x25, 0x26, 0x27, 0x2A, 0x2E, 0xFFFF))
                following = chance.choice((0, at, 0x100, 0xFFC, chance.randrange(0x1000)))
                found[at : at + 4] = (header | 1 << 16 | following << 20).to_bytes(4, "little")
            case 2:
                found[at : at + 4] = chance.choice((b"\xff" * 4, b"\0" * 4, chance.randbytes(4)))
            case 3:
                found[0x34] = chance.randrange(256)
            case 4:
                bit = chance.randrange(8 * len(found))
                found[bit // 8] ^= 1 << bit % 8
            case _:
                found = found[: chance.choice((64, 256, 4096, chance.randrange(len(found) + 1)))]
    return bytes(found)


def of_lines(data: bytes, chance: Random) -> bytes:
    """Lines left out, repeated, swapped, cut or joined, and words of theirs made odd."""
    lines = data.split(b"\n")
    for _ in range(chance.choice((1, 1, 2, 4))):
        at, other = chance.randrange(len(lines)), chance.randrange(len(lines))
        match chance.randrange(6):
            case 0 if len(lines) > 1:
                del lines[at]
            case 1:
                lines.insert(other, lines[at])
            case 2:
                lines[at], lines[other] = lines[other], lines[at]
            case 3:
                lines[at] = lines[at][: chance.randrange(len(lines[at]) + 1)] + lines[other]
            case _:
                words = lines[at].split(b" ")
                words[chance.randrange(len(words))] = str(chance.choice((*NUMBERS, *TEXTS))).encode("utf-8", "replace")
                lines[at] = b" ".join(words)
    return b"\n".join(lines)


def of_settings(data: bytes, chance: Random) -> bytes:
    """Keys and values of TOML changed for odd ones, else its lines."""
    lines = data.split(b"\n")
    stated = [number for number, line in enumerate(lines) if b"=" in line]
    if not stated or chance.random() < 0.4:
        return of_lines(data, chance)
    at = chance.choice(stated)
    key, _, value = lines[at].partition(b"=")
    odd = chance.choice((*_ODD, "1979-05-27", "[[step]]"))
    told = json.dumps(odd) if not isinstance(odd, float) else repr(odd)
    lines[at] = (
        key + b"= " + (told.encode() if chance.random() < 0.8 else lines[chance.choice(stated)].partition(b"=")[2])
    )
    if chance.random() < 0.2:
        lines[at] = lines[chance.choice(stated)].partition(b"=")[0] + b"=" + value
    return b"\n".join(lines)


def of_documents(data: bytes, chance: Random) -> bytes:
    """One value of a JSON document, or of one of its lines, made odd, taken out, or another's."""
    lines = data.split(b"\n")
    number = chance.randrange(len(lines))
    try:
        value = json.loads(lines[number])
    except (ValueError, RecursionError):
        return of_lines(data, chance)
    if len(lines) > 2 and chance.random() < 0.2:
        return of_lines(data, chance)
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        value = _changed(value, chance)
    lines[number] = json.dumps(value, separators=(",", ":")).encode()
    return b"\n".join(lines)


def of_packed(data: bytes, chance: Random) -> bytes:
    """The same of MessagePack."""
    try:
        value = msgspec.msgpack.decode(data, strict=False)
        for _ in range(chance.choice((1, 1, 2))):
            value = _changed(value, chance)
        return msgspec.msgpack.encode(value)
    except (msgspec.MsgspecError, RecursionError, OverflowError, UnicodeError, TypeError):
        return of_bytes(data, chance)


def _changed(value: Any, chance: Random) -> Any:
    """A value with one of the values inside it changed."""
    places = list(_places(value))
    if not places:
        return deepcopy(chance.choice(_ODD))
    holder, key = chance.choice(places)
    match chance.randrange(6):
        case 0 | 1:
            holder[key] = _odd_like(holder[key], chance)
        case 2:
            holder[key] = deepcopy(chance.choice(_ODD))
        case 3:
            other, its_key = chance.choice(places)
            holder[key] = deepcopy(other[its_key])
        case 4 if isinstance(holder, list):
            holder.insert(key, deepcopy(holder[key]))
        case _:
            del holder[key]
    return value


def _odd_like(value: Any, chance: Random) -> Any:
    """An odd value of the same type, since others are refused at the door."""
    match value:
        case bool():
            return not value
        case int():
            return chance.choice([number for number in NUMBERS if isinstance(number, int)] + [value + 1, value - 1])
        case float():
            return chance.choice((*NUMBERS, -value))
        case str():
            at = chance.randrange(len(value) + 1)
            return chance.choice(
                (*TEXTS, value[:at], value[:at] + chance.choice("0123456789abcdef:./ ") + value[at + 1 :])
            )
        case bytes():
            return of_bytes(value, chance)
        case list():
            return deepcopy(value) + deepcopy(value) if chance.random() < 0.7 else []
        case dict():
            return {str(chance.choice(TEXTS)): item for item in value.values()}
        case _:
            return deepcopy(chance.choice(_ODD))


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    left = [value]
    while left:
        holder = left.pop()
        keys = range(len(holder)) if isinstance(holder, list) else holder if isinstance(holder, dict) else ()
        for key in list(keys):
            yield holder, key
            left.append(holder[key])


def of_members(data: bytes, chance: Random) -> bytes:
    """A member of a tar: its name, kind, size or content; or the tar cut short."""
    try:
        with tarfile.open(fileobj=io.BytesIO(data), mode="r:*") as archive:
            members = [(item, _content(archive, item)) for item in archive]
    except (tarfile.TarError, ValueError, OSError, EOFError):
        return of_bytes(data, chance)
    if not members or chance.random() < 0.1:
        return data[: chance.randrange(len(data) // 512 + 1) * 512]
    _change_member(members, chance)
    made = io.BytesIO()
    try:
        with tarfile.open(fileobj=made, mode="w", format=tarfile.PAX_FORMAT) as archive:
            for item, content in members:
                item.size = len(content)
                archive.addfile(item, io.BytesIO(content))
    except (ValueError, OSError, UnicodeError):
        return of_bytes(data, chance)
    return made.getvalue()


def _change_member(members: list[tuple[tarfile.TarInfo, bytes]], chance: Random) -> None:
    at = chance.randrange(len(members))
    item, content = members[at]
    names = (f"../{item.name}", f"/{item.name}", item.name.replace("0", "1", 1), item.name[:40])
    kinds = (tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.DIRTYPE, tarfile.CHRTYPE, tarfile.FIFOTYPE)
    match chance.randrange(8):
        case 0:
            del members[at]
        case 1:
            members.append(members[at])
        case 2:
            item.name = chance.choice(names)
        case 3:
            item.type = chance.choice(kinds)
            item.linkname = chance.choice((".", "..", item.name, "/etc/passwd", "../../x"))
            members[at] = (item, b"")
        case 4:
            item.linkname = chance.choice(members)[0].name
        case 5:
            members[at] = (item, chance.choice(members)[1])
        case _:
            change = of_words if len(content) >= _HEADER_BYTES else _text
            members[at] = (item, change(content, chance))


def _content(archive: tarfile.TarFile, item: tarfile.TarInfo) -> bytes:
    found = archive.extractfile(item) if item.isreg() else None
    return b"" if found is None else found.read()


def _text(content: bytes, chance: Random) -> bytes:
    odd = str(chance.choice((*NUMBERS, *TEXTS))).encode("utf-8", "replace")
    return odd + b"\n" if chance.random() < 0.7 else of_bytes(content, chance)
