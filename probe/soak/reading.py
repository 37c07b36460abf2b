"""Reading a journal, whatever happened to it: a damaged line costs that line, a last one cut off costs nothing."""

import contextlib
import fcntl
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import msgspec

from probe.documents.files import UNDECODABLE, bounded_lines, decode_document, open_regular
from probe.exceptions import DocumentError, InputError
from probe.schemas import Schema
from probe.soak.journal import Damaged, Entry, Start, moment

_REMEDY = "give a record of linkprobe soak"
_DECODER: msgspec.json.Decoder[Entry] = msgspec.json.Decoder(Entry)
_KINDS = frozenset(str(kind.__struct_config__.tag) for kind in Entry.__args__)


class _Kind(msgspec.Struct):
    type: str = ""


class Recorded(Iterable[Entry]):
    """The entries of a journal, read anew by every loop over them and one at a time: a week of them takes no memory."""

    def __init__(self, lines: Callable[[], contextlib.AbstractContextManager[Iterable[bytes]]], name: str) -> None:
        """`lines` opens the journal. Raises DocumentError where it is none, or of a newer linkprobe."""
        self._lines = lines
        self._name = name
        with lines() as opened:
            self.start = _start(next(iter(opened), b""), name)

    @classmethod
    def at(cls, path: Path) -> "Recorded":
        """The journal of this name. Raises InputError where it cannot be read."""
        return cls(lambda: _lines(str(path)), str(path))

    def __iter__(self) -> Iterator[Entry]:
        """Every entry, a Damaged in the place of a line that cannot be read. Raises DocumentError."""
        yield self.start
        with self._lines() as opened:
            yield from self._after_the_start(opened)

    def _after_the_start(self, lines: Iterable[bytes]) -> Iterator[Entry]:
        unreadable: list[Damaged] = []
        t = 0.0
        for number, line in enumerate(lines, start=1):
            if number == 1 or not line.strip(b"\0 \r\n"):
                continue
            entry = self._entry(line)
            if entry is None or isinstance(entry, Start):
                unreadable.append(Damaged(t=t, line=number))
                continue
            yield from unreadable
            unreadable.clear()
            t = moment(entry)
            yield entry
        yield from unreadable[:-1]  # the last line was being written when it ended

    def _entry(self, line: bytes) -> Entry | None:
        try:
            return _DECODER.decode(line)
        except UNDECODABLE:
            with contextlib.suppress(*UNDECODABLE):
                self._refuse_newer(msgspec.json.decode(line, type=_Kind).type)
            return None

    def _refuse_newer(self, kind: str) -> None:
        if kind and kind not in _KINDS:
            what = f"holds lines that this linkprobe does not know ({kind!r}), so a newer one wrote it"
            raise DocumentError(what, where=self._name, remedy="judge it with that version")


@contextlib.contextmanager
def _lines(name: str) -> Iterator[Iterable[bytes]]:
    """The lines of a file, each of bounded length. Raises InputError where it cannot be read, DocumentError."""
    try:
        with open_regular(name) as file:
            yield bounded_lines(file, name)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=name, remedy="check the name") from error


def _start(line: bytes, name: str) -> Start:
    if not line.strip(b"\0 \r\n"):
        raise DocumentError("does not begin as a journal does", where=name, remedy=_REMEDY)
    return decode_document(line, name, Start, Schema.JOURNAL, _REMEDY)


def read_entries(path: Path) -> list[Entry]:
    """The entries of a journal. Raises InputError or DocumentError."""
    return list(Recorded.at(path))


def entries_of(data: bytes, name: str) -> list[Entry]:
    """The entries that a journal's bytes hold. Raises DocumentError."""
    return list(Recorded(lambda: contextlib.nullcontext(data.splitlines(keepends=True)), name))


def is_being_written(path: Path) -> bool:
    """Whether a soak is writing to it now, on this host."""
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        except OSError:  # a file system without locks
            return False
    return False
