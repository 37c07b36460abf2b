"""Reading a document back, with a clear word about what is wrong with it, and with bounds for what others wrote."""

import errno
import os
import stat
import sys
import zlib
from collections.abc import Iterable, Iterator
from io import BufferedReader
from typing import TypeVar

import msgspec

from probe.audit.snapshot import Snapshot
from probe.documents.captured import captured
from probe.exceptions import DocumentError, InputError
from probe.schemas import RESULTS, Schema

Document = TypeVar("Document", bound=msgspec.Struct)
STANDARD_STREAM = "-"
DOCUMENT_BYTES = 256 << 20
"""The most that a document may hold, before and after unpacking; LINKPROBE_DOCUMENT_BYTES sets another number."""
UNDECODABLE = (msgspec.MsgspecError, UnicodeDecodeError, RecursionError)
"""What decoding raises for bytes that are not what they should be: no JSON, of another type, no UTF-8, too deep."""

_GZIP_MAGIC = b"\x1f\x8b"
_GZIP_WINDOW = 31  # zlib: a gzip header is expected, and the largest window allowed
_CHUNK = 1 << 20
_TAKE_ONE = "take one with: linkprobe snapshot -o FILE"


class _Header(msgspec.Struct):
    schema: str


def encode(document: msgspec.Struct) -> bytes:
    """A document as JSON, one line."""
    return msgspec.json.encode(document) + b"\n"


def encode_lines(documents: Iterable[msgspec.Struct]) -> bytes:
    """Documents as JSON, a line each."""
    return msgspec.json.Encoder().encode_lines(documents)


def most_bytes() -> int:
    """The most bytes of a document, as set or by default."""
    text = os.environ.get("LINKPROBE_DOCUMENT_BYTES", "")
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 20 else DOCUMENT_BYTES  # noqa: PLR2004 - digits


def read_bytes(name: str, most: int | None = None) -> bytes:
    """The content of a regular file, or of standard input for `-`. Raises InputError, DocumentError past the bound.

    `most` is the bound of what is far smaller than a document.
    """
    if name == STANDARD_STREAM:
        return _bounded(sys.stdin.buffer.read(_most(most) + 1), name, most)
    try:
        return regular_bytes(name, most)
    except (OSError, ValueError) as error:
        what = f"cannot be read ({getattr(error, 'strerror', None) or error})"
        raise InputError(what, where=name, remedy="give the name of a file, or - for standard input") from error


def regular_bytes(name: str, most: int | None = None) -> bytes:
    """The content of a regular file. Raises OSError, ValueError for what is no name, DocumentError past the bound."""
    with open_regular(name) as file:
        return _bounded(file.read(_most(most) + 1), name, most)


def open_regular(name: str) -> BufferedReader:
    """A regular file, open for reading, without waiting for the writer of a pipe. Raises OSError, ValueError."""
    descriptor = os.open(name, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "is no regular file")
    return open(descriptor, "rb")  # noqa: PTH123 - opened above


def bounded_lines(file: BufferedReader, name: str) -> Iterator[bytes]:
    """The lines of a file one at a time. Raises DocumentError for one that is longer than a document may be."""
    most = most_bytes()
    while line := file.readline(most + 1):
        if len(line) > most:
            raise _too_large(name)
        yield line


def _most(most: int | None) -> int:
    return most_bytes() if most is None else most


def _bounded(data: bytes, name: str, most: int | None = None) -> bytes:
    if len(data) > _most(most):
        raise _too_large(name, most)
    return data


def _too_large(name: str, most: int | None = None) -> DocumentError:
    if most is not None:
        what = f"holds more than {most // 1024} KiB, the most that is read of such a file"
        return DocumentError(what, where=name, remedy="give a part of it, or look at what it is")
    what = f"holds more than {most_bytes() // _CHUNK} MiB, the most that is read of a document"
    return DocumentError(what, where=name, remedy="set LINKPROBE_DOCUMENT_BYTES if that is really wanted")


def read_snapshot(name: str) -> Snapshot:
    """A saved snapshot, or what a tar of a host's files holds. Raises InputError or DocumentError."""
    return snapshot_in(read_bytes(name), name)


def snapshot_in(data: bytes, name: str) -> Snapshot:
    """The snapshot that these bytes are. Raises DocumentError."""
    data = uncompressed(data, name, _TAKE_ONE)
    return captured(data, name) or decode_document(data, name, Snapshot, Schema.SNAPSHOT, _TAKE_ONE)


def is_result(data: bytes, name: str) -> bool:
    """These bytes are the result of a test that writes to hardware."""
    try:
        return schema_of(data, name, "") in RESULTS
    except DocumentError:
        return False  # no document, or one of many lines: whoever reads those says what is wrong


def decode_document(data: bytes, name: str, kind: type[Document], schema: str, remedy: str) -> Document:
    """A document of one kind from its bytes. Raises DocumentError, which names what is wrong and where."""
    data = uncompressed(data, name, remedy)
    found = schema_of(data, name, remedy)
    _check_schema(found, schema, name, remedy)
    try:
        return msgspec.json.decode(data, type=kind)
    except UNDECODABLE as error:
        raise DocumentError(f"does not hold what {schema} says ({error})", where=name, remedy=remedy) from error


def schema_of(data: bytes, name: str, remedy: str) -> str:
    """The schema name that a document states, empty if none. Raises DocumentError for what is no JSON."""
    try:
        return msgspec.json.decode(uncompressed(data, name, remedy), type=_Header).schema
    except msgspec.ValidationError:
        return ""
    except UNDECODABLE as error:
        what = "ends too early: it was cut off" if "truncated" in str(error) else f"is not JSON ({error})"
        raise DocumentError(what, where=name, remedy=remedy) from error


def uncompressed(data: bytes, name: str, remedy: str) -> bytes:
    """Bytes as they are, or unpacked if gzip packed them, in bounded memory. Raises DocumentError."""
    if not data.startswith(_GZIP_MAGIC):
        return data
    parts: list[bytes] = []
    left = most_bytes()
    try:
        while data.startswith(_GZIP_MAGIC):
            unpacker = zlib.decompressobj(_GZIP_WINDOW)
            part = unpacker.decompress(data, left + 1)
            left -= len(part)
            if left < 0:
                raise _too_large(name)
            if not unpacker.eof:
                raise DocumentError("is damaged: it ends too early", where=name, remedy=remedy)
            parts.append(part)
            data = unpacker.unused_data
    except zlib.error as error:
        raise DocumentError(f"is damaged ({error})", where=name, remedy=remedy) from error
    return b"".join(parts)


def _check_schema(found: str, expected: str, name: str, remedy: str) -> None:
    if found == expected:
        return
    kind, _, version = expected.rpartition("/")
    found_kind, _, found_version = found.rpartition("/")
    if found_kind == kind and found_version.isdecimal() and int(found_version) > int(version):
        what = f"comes from a newer linkprobe ({found}; this one reads up to {expected})"
        raise DocumentError(what, where=name, remedy="read it with that version")
    what = f"is a {found} document, not {expected}" if found else "is not a linkprobe document"
    raise DocumentError(what, where=name, remedy=remedy)
