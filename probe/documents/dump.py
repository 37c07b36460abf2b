"""A config space out of a dump: raw bytes, or any text of offsets and hexadecimal bytes."""

import re
from collections.abc import Iterator
from itertools import pairwise

from probe.exceptions import InputError
from probe.registers.space import SPACE_END, ConfigSpace

_OFFSET_LINE = re.compile(r"\s*(?:0x)?([0-9a-fA-F]{1,8})(?::\s*|\s{2,}|\s)((?:(?:[0-9a-fA-F]{2}){1,4}(?=\s|$)\s*)+)")
_END_LINE = re.compile(r"[0-9a-fA-F]{3,8}")
_TEXT = frozenset(b"\t\n\r\x0b\x0c" + bytes(range(0x20, 0x7F)))
_SMALLEST = 64


def config_from_dump(data: bytes, name: str) -> ConfigSpace:
    """The config space in a dump. Raises InputError if there is none of at least the 64 bytes of a header."""
    if not data:
        raise InputError("is empty", where=name, remedy="give raw bytes, or lines of an offset and hexadecimal bytes")
    content = _from_text(data.decode("ascii")) if all(byte in _TEXT for byte in data) else data
    if len(content) < _SMALLEST:
        what = f"holds {len(content)} bytes of config space, fewer than the {_SMALLEST} of a header"
        raise InputError(what, where=name, remedy="give raw bytes, or lines of an offset and hexadecimal bytes")
    if len(content) > SPACE_END:
        what = f"holds {len(content)} bytes, more than the {SPACE_END} of a config space"
        raise InputError(what, where=name, remedy="give one function at a time")
    return ConfigSpace.from_bytes(content)


def _from_text(text: str) -> bytes:
    rows = list(_rows(text))
    if not rows:
        return _plain(text)
    image = bytearray()
    length = min((after[0] - at[0] for at, after in pairwise(rows) if after[0] > at[0]), default=16)
    row = b""
    for offset, content, folded in rows:
        if offset > SPACE_END or offset < len(image):
            break
        while folded and row and len(image) < offset:
            image += row
        row = content[:length]
        image += bytes(offset - len(image)) + row
    return bytes(image)


def _rows(text: str) -> Iterator[tuple[int, bytes, bool]]:
    """Offset, bytes, and whether a `*` before it says that the row before repeats up to here."""
    folded = False
    for line in text.splitlines():
        if line.strip() == "*":
            folded = True
            continue
        match = _OFFSET_LINE.match(line)
        if match and (":" in line.split()[0] or len(match[1]) > 2):  # noqa: PLR2004 - two digits alone are a byte
            yield int(match[1], 16), bytes.fromhex("".join(match[2].split())), folded
        elif folded and _END_LINE.fullmatch(line.strip()):
            yield int(line, 16), b"", folded
        folded = False


def _plain(text: str) -> bytes:
    digits = "".join(text.split())
    even = len(digits) % 2 == 0
    return bytes.fromhex(digits) if even and re.fullmatch(r"[0-9a-fA-F]+", digits) else b""
