"""Writing a document whole or not at all, and reading one back with a clear word about what is wrong with it."""

import contextlib
import gzip
import os
import sys
import tempfile
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import TypeVar

import msgspec

from probe.audit.snapshot import Snapshot
from probe.documents.captured import captured
from probe.exceptions import DocumentError, InputError
from probe.schemas import Schema

Document = TypeVar("Document", bound=msgspec.Struct)
STANDARD_STREAM = "-"
_GZIP_MAGIC = b"\x1f\x8b"
_TAKE_ONE = "take one with: linkprobe snapshot -o FILE"


class _Header(msgspec.Struct):
    schema: str


def encode(document: msgspec.Struct) -> bytes:
    """A document as JSON, one line."""
    return msgspec.json.encode(document) + b"\n"


def encode_lines(documents: Iterable[msgspec.Struct]) -> bytes:
    """Documents as JSON, a line each."""
    return msgspec.json.Encoder().encode_lines(documents)


def write_atomically(path: Path, data: bytes) -> None:
    """Replace a file with `data`, which is on the disk before the old one goes. Raises InputError if that fails.

    A name ending in `.gz` is compressed.
    """
    if path.suffix == ".gz":
        data = gzip.compress(data, mtime=0)
    temporary = None
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file:
            temporary = Path(file.name)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
        _sync_directory(path.parent)
    except OSError as error:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink()
        what = f"cannot be written ({error.strerror or error})"
        raise InputError(what, where=str(path), remedy="give a place with room that you may write to") from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _sync_directory(directory: Path) -> None:
    descriptor = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def read_bytes(name: str) -> bytes:
    """The content of a file, or of standard input for `-`. Raises InputError."""
    if name == STANDARD_STREAM:
        return sys.stdin.buffer.read()
    try:
        return Path(name).read_bytes()
    except OSError as error:
        what = f"cannot be read ({error.strerror or error})"
        raise InputError(what, where=name, remedy="check the name") from error


def read_snapshot(name: str) -> Snapshot:
    """A saved snapshot, or what a tar of a host's files holds. Raises InputError or DocumentError."""
    data = uncompressed(read_bytes(name), name, _TAKE_ONE)
    return captured(data, name) or decode_document(data, name, Snapshot, Schema.SNAPSHOT, _TAKE_ONE)


def decode_document(data: bytes, name: str, kind: type[Document], schema: str, remedy: str) -> Document:
    """A document of one kind from its bytes. Raises DocumentError, which names what is wrong and where."""
    data = uncompressed(data, name, remedy)
    found = schema_of(data, name, remedy)
    _check_schema(found, schema, name, remedy)
    try:
        return msgspec.json.decode(data, type=kind)
    except msgspec.ValidationError as error:
        raise DocumentError(f"does not hold what {schema} says ({error})", where=name, remedy=remedy) from error


def schema_of(data: bytes, name: str, remedy: str) -> str:
    """The schema name that a document states, empty if none. Raises DocumentError for what is no JSON."""
    try:
        return msgspec.json.decode(uncompressed(data, name, remedy), type=_Header).schema
    except msgspec.ValidationError:
        return ""
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        what = "ends too early: it was cut off" if "truncated" in str(error) else f"is not JSON ({error})"
        raise DocumentError(what, where=name, remedy=remedy) from error


def uncompressed(data: bytes, name: str, remedy: str) -> bytes:
    """Bytes as they are, or unpacked if gzip packed them. Raises DocumentError."""
    if not data.startswith(_GZIP_MAGIC):
        return data
    try:
        return gzip.decompress(data)
    except (OSError, EOFError, zlib.error) as error:
        raise DocumentError(f"is damaged ({error})", where=name, remedy=remedy) from error


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
