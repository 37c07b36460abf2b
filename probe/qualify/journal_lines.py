"""The lines of a journal, and the entries that they are. Pure."""

import contextlib
from collections.abc import Sequence

import msgspec

from probe.documents.files import UNDECODABLE
from probe.exceptions import DocumentError
from probe.qualify.entries import Begun, Entry

_DECODER: msgspec.json.Decoder[Entry] = msgspec.json.Decoder(Entry)
_REMEDY = "give the journal or the record of linkprobe qualify"


def whole_lines(data: bytes, name: str) -> tuple[bytes, ...]:
    """The lines of a journal without one that was being written when it ended. Raises DocumentError for no journal."""
    lines = data.split(b"\n")[:-1]
    while lines and not _is_whole(lines[-1]):
        lines.pop()
    if not lines:
        raise DocumentError("does not begin as a journal does", where=name, remedy=_REMEDY)
    return tuple(lines)


def _is_whole(line: bytes) -> bool:
    """A power cut may leave a line of zeros, or of a part of what was written."""
    with contextlib.suppress(*UNDECODABLE):
        msgspec.json.decode(line)
        return True
    return False


def decoded(lines: Sequence[bytes], name: str) -> tuple[Entry, ...]:
    """The entries that lines are. Raises DocumentError, which names the line."""
    entries: list[Entry] = []
    for number, line in enumerate(lines, start=1):
        try:
            entries.append(_DECODER.decode(line))
        except UNDECODABLE as error:
            what = f"line {number} is not of a journal of this version ({error})"
            raise DocumentError(what, where=name, remedy=_REMEDY) from error
    if not entries or not isinstance(entries[0], Begun):
        raise DocumentError("does not begin as a journal does", where=name, remedy=_REMEDY)
    return tuple(entries)
