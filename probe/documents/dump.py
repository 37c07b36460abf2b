"""Config spaces out of a dump: raw bytes, or any text of offsets and hexadecimal bytes, of one function or several.

Bytes that the dump does not hold are absent, never zero. Offsets are hexadecimal, decimal or octal: the one reading in
which the rows follow each other. Rows of wider words than bytes are decoded only where their header shows their order.
"""

import re
from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise, takewhile

import msgspec

from probe.documents.saved_text import MARKS
from probe.exceptions import InputError
from probe.registers.space import SPACE_END, ConfigSpace, looks_like_header

DUMP_BYTES = 16 << 20
"""The most that is read of a dump: a thousand functions of 4096 bytes in text."""
_REMEDY = "give raw bytes, or lines of an offset and hexadecimal bytes"
_ROW = re.compile(
    r"\s*(0x)?([0-9a-fA-F]{1,8})(:|\s)\s*((?:[0-9a-fA-F]{2}){1,4}(?:[\s-]+(?:[0-9a-fA-F]{2}){1,4})*)(?=$|\s)"
)
_END_LINE = re.compile(r"[0-9a-fA-F]{3,8}")
_TEXT = frozenset(b"\t\n\r\x0b\x0c" + bytes(range(0x20, 0x7F)))
_SMALLEST = 64
_MOSTLY = 0.9
_BASES = (16, 10, 8)
_WORDS = (2, 4, 8)


class Dump(msgspec.Struct, frozen=True):
    """One function's config space, and what stood above it in the dump."""

    heading: str | None
    space: ConfigSpace


class _Row(msgspec.Struct, frozen=True):
    written: str
    words: tuple[str, ...]
    folded: bool


def configs_from_dump(data: bytes, name: str) -> tuple[Dump, ...]:
    """The config spaces in a dump. Raises InputError where there is none, or what is there cannot be told."""
    if not data:
        raise InputError("is empty", where=name, remedy=_REMEDY)
    text = _text(data, name)
    if text is None:
        return (Dump(None, ConfigSpace.from_bytes(_whole(data, name))),)
    found = tuple(_functions(text, name))
    if found:
        return found
    return (Dump(None, ConfigSpace.from_bytes(_whole(_plain(text), name))),)


def _text(data: bytes, name: str) -> str | None:
    """The dump as text; None for raw bytes."""
    for mark, encoding in MARKS:
        if data.startswith(mark):
            try:
                return data.decode(encoding)
            except UnicodeDecodeError:
                break
    if all(byte in _TEXT for byte in data):
        return data.decode("ascii")
    without_zeros = data.replace(b"\0", b"")
    if 2 * len(without_zeros) == len(data) and all(byte in _TEXT for byte in without_zeros):
        return data.decode("utf-16-le" if data[1] == 0 else "utf-16-be")
    if len(data) > SPACE_END and sum(byte in _TEXT for byte in data) > len(data) * _MOSTLY:
        raise InputError("is text with other bytes in it", where=name, remedy="give it in ASCII, UTF-8 or UTF-16")
    return None


def _whole(content: bytes, name: str) -> bytes:
    if len(content) < _SMALLEST:
        what = f"holds {len(content)} bytes of config space, fewer than the {_SMALLEST} of a header"
        raise InputError(what, where=name, remedy=_REMEDY)
    if len(content) > SPACE_END:
        what = f"holds {len(content)} bytes, more than the {SPACE_END} of a config space"
        raise InputError(what, where=name, remedy="give one function at a time")
    _refuse_swapped(content[:_SMALLEST], name)
    return content


def _refuse_swapped(header: bytes, place: str) -> None:
    """Raises InputError for bytes that are a header only once those of each word are turned round."""
    if looks_like_header(header):
        return
    for size in _WORDS:
        turned = b"".join(header[at : at + size][::-1] for at in range(0, len(header), size))
        if looks_like_header(turned):
            what = f"has its bytes turned round in words of {size} bytes"
            raise InputError(what, where=place, remedy="dump single bytes, in their order")


def _functions(text: str, name: str) -> Iterator[Dump]:
    heading: str | None = None
    for is_row, items in groupby(_lines(text), key=lambda item: isinstance(item, _Row)):
        listed = list(items)
        if not is_row:
            heading = next((line for line in reversed(listed) if isinstance(line, str) and line), None)
            continue
        rows = [row for row in listed if isinstance(row, _Row)]
        for number, part in enumerate(_parts(rows)):
            place = name if heading is None else f"{name}, {heading}"
            yield Dump(heading if number == 0 else None, _space(_image(part, place), place))


def _parts(rows: Sequence[_Row]) -> Iterator[list[_Row]]:
    """Rows that start again at offset 0 are the next function."""
    part: list[_Row] = []
    for row in rows:
        if part and row.words and int(row.written, 16) == 0 and any(int(item.written, 16) == 0 for item in part):
            yield part
            part = []
        part.append(row)
    if part:
        yield part


def _lines(text: str) -> Iterator[_Row | str]:
    """Rows of bytes, and the lines between them."""
    folded = False
    for line in text.splitlines():
        bare = line.strip()
        if bare == "*":
            folded = True
            continue
        match = _ROW.match(line)
        if match and (match[3] == ":" or match[1] or len(match[2]) > 2):  # noqa: PLR2004 - two digits alone are a byte
            words = re.split(r"[\s-]+", match[4].strip())
            yield _Row(match[2], _alike(words), folded)
        elif _END_LINE.fullmatch(bare):
            yield _Row(bare, (), folded)
        else:
            yield bare
        folded = False


def _alike(words: Sequence[str]) -> tuple[str, ...]:
    """The words as long as the first; what follows is the same again in letters."""
    return tuple(takewhile(lambda word: len(word) == len(words[0]), words))


def _image(rows: Sequence[_Row], place: str) -> dict[int, int]:
    """Each byte by its offset."""
    size = len(rows[0].words[0]) // 2 if rows[0].words else 1
    little = _order(rows, size, place)
    contents = [b"".join(_bytes(word, little=little) for word in row.words) for row in rows]
    length = _row_length(contents)
    base = _base(rows, length, place)
    image: dict[int, int] = {}
    before: tuple[int, bytes] | None = None
    for row, content in sorted(zip(rows, contents, strict=True), key=lambda item: int(item[0].written, base)):
        offset = int(row.written, base)
        kept = content[:length]
        if offset + len(kept) > SPACE_END:
            raise InputError(f"goes on past the {SPACE_END} bytes of a config space", where=place, remedy=_REMEDY)
        if row.folded and before is not None and before[1]:
            start, repeated = before
            image.update((at, repeated[(at - start) % len(repeated)]) for at in range(start, offset))
        for at, byte in enumerate(kept, start=offset):
            if image.setdefault(at, byte) != byte:
                what = f"gives offset {at:#05x} twice, with different bytes"
                raise InputError(what, where=place, remedy="give one reading of each function")
        before = (offset, kept)
    return image


def _bytes(word: str, *, little: bool) -> bytes:
    data = bytes.fromhex(word)
    return data[::-1] if little else data


def _row_length(contents: Sequence[bytes]) -> int:
    """The bytes of a full row: what stands after them is the same again in letters."""
    sizes = [len(content) for content in contents if content]
    usual = max(set(sizes), key=sizes.count, default=16)
    return next((size for size in (32, 16, 8, 4) if size <= usual), usual)


def _base(rows: Sequence[_Row], length: int, place: str) -> int:
    """How the offsets are written: in the way in which each row ends where the next begins, hexadecimal first."""
    for base in _BASES:
        try:
            offsets = sorted(int(row.written, base) for row in rows)
        except ValueError:
            continue
        steps = [after - at for at, after in pairwise(offsets)]
        if all(step >= length or step == 0 for step in steps) and any(step == length for step in steps[:1] or [length]):
            return base
    steps = [int(after.written, 16) - int(at.written, 16) for at, after in pairwise(rows)]
    if all(step > 0 for step in steps):
        return 16
    raise InputError("has offsets that cannot be told", where=place, remedy="number the rows in hexadecimal")


def _order(rows: Sequence[_Row], size: int, place: str) -> bool:
    """Whether the words are little-endian numbers. Raises InputError where the header does not show it."""
    if size == 1:
        return False
    words = [bytes.fromhex(word) for row in rows for word in row.words]
    header = {
        little: b"".join(word[::-1] if little else word for word in words)[:_SMALLEST] for little in (False, True)
    }
    fitting = [little for little, data in header.items() if looks_like_header(data)]
    if len(fitting) != 1:
        what = f"holds words of {size} bytes whose order its header does not show"
        raise InputError(what, where=place, remedy="dump single bytes")
    return fitting[0]


def _space(image: dict[int, int], place: str) -> ConfigSpace:
    if len(image) < _SMALLEST:
        what = f"holds {len(image)} bytes of config space, fewer than the {_SMALLEST} of a header"
        raise InputError(what, where=place, remedy=_REMEDY)
    if all(at in image for at in range(_SMALLEST)):
        _refuse_swapped(bytes(image[at] for at in range(_SMALLEST)), place)
    return ConfigSpace.from_image(image)


def _plain(text: str) -> bytes:
    digits = "".join(re.split(r"[\s,-]+", text))
    even = len(digits) % 2 == 0
    return bytes.fromhex(digits) if even and re.fullmatch(r"[0-9a-fA-F]+", digits) else b""
