"""The journal of one run: every old value is in it, on the disk, before the value is overwritten.

One JSON object a line. The file is locked while its run lives, so that a journal without a lock is one that was left
behind: by `kill -9`, by a crash, or because something could not be put back.
"""

import contextlib
import fcntl
import os
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

import msgspec

from probe.active.permitted import Scope
from probe.documents.files import UNDECODABLE
from probe.documents.writing import write_all
from probe.exceptions import DocumentError, InputError
from probe.schemas import Schema

LIVE_SYS = "/sys"
_LIVE_STATE = Path("/var/lib/linkprobe/active")
_PUT_BACK = "run: linkprobe put-back"


class LinkBefore(msgspec.Struct, frozen=True, kw_only=True):
    """A link under test as it was: speed code and width as Link Status had them."""

    port: str
    component: str | None = None
    speed: int | None = None
    width: int | None = None


class Began(msgspec.Struct, frozen=True, kw_only=True, tag="began"):
    """Who began what, on which tree, and what the run may write to."""

    schema: str = Schema.ACTIVE_JOURNAL
    command: str
    sys: str
    boot_id: str | None
    process: int
    at: str
    scope: Scope
    links: tuple[LinkBefore, ...] = ()
    may_retrain: bool = True
    """A link that is slower or narrower in the end may be retrained; else that is only told."""


class KeptRegister(msgspec.Struct, frozen=True, kw_only=True, tag="register"):
    """Register bytes before they were first written; `mask` are the bits that the run may change."""

    address: str
    offset: int
    size: int
    mask: int
    old: int


class KeptFile(msgspec.Struct, frozen=True, kw_only=True, tag="file"):
    """A file below /sys before it was first written."""

    path: str
    old: str


class Acted(msgspec.Struct, frozen=True, kw_only=True, tag="acted"):
    """Something was asked of the kernel that has no old value, such as a reset."""

    path: str
    text: str


Entry = Began | KeptRegister | KeptFile | Acted
_ENCODER = msgspec.json.Encoder()
_DECODER: msgspec.json.Decoder[Entry] = msgspec.json.Decoder(Entry)


def state_directory(sys: str) -> Path:
    """Where journals of runs on this tree are kept: one place for the live host, the user's own for other trees."""
    if sys == LIVE_SYS:
        return _LIVE_STATE
    home = os.environ.get("XDG_STATE_HOME")
    return (Path(home) if home else Path.home() / ".local" / "state") / "linkprobe" / "active"


class Journal:
    """An open, locked journal. What is kept is on the disk when the call returns."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self.path = path
        self._descriptor = descriptor

    @classmethod
    def create(cls, began: Began, directory: Path | None = None) -> Self:
        """A new journal, locked. Raises InputError where one of the same tree is there, or where it cannot be made."""
        folder = directory or state_directory(began.sys)
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o755)
            with _locked(folder) as held:
                _refuse_if_there(folder, began.sys)
                prefix = f"{began.at.replace(':', '')}-{began.process}-"
                descriptor, name = tempfile.mkstemp(prefix=prefix, suffix=".jsonl", dir=folder)
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                journal = cls(Path(name), descriptor)
                journal.keep(began)
                os.fsync(held)
        except OSError as error:
            what = f"the journal of what is written cannot be made ({error.strerror})"
            raise InputError(what, where=str(folder), remedy="make room for it; nothing is written without") from error
        return journal

    def keep(self, *entries: Entry) -> None:
        """Append entries and have them on the disk. Raises OSError where that fails: then nothing may be written."""
        write_all(self._descriptor, b"".join(_ENCODER.encode(entry) + b"\n" for entry in entries))
        os.fsync(self._descriptor)

    def entries(self) -> tuple[Entry, ...]:
        """All that was kept so far."""
        return entries_of(self.path)

    def discard(self) -> None:
        """All is as it was: the journal has done its duty."""
        self.path.unlink(missing_ok=True)

    def close(self) -> None:
        """Let the file and its lock go; what it holds stays for `put-back`."""
        os.close(self._descriptor)


def began_now(  # noqa: PLR0913 - what a journal begins with
    command: str, sys: str, boot_id: str | None, scope: Scope, links: tuple[LinkBefore, ...], *,
    may_retrain: bool = True,
) -> Began:  # fmt: skip
    """The head of a journal that begins now, in this process."""
    at = datetime.now(UTC).isoformat(timespec="milliseconds")
    return Began(
        command=command, sys=sys, boot_id=boot_id, process=os.getpid(), at=at, scope=scope, links=links,
        may_retrain=may_retrain,
    )  # fmt: skip


def entries_of(path: Path) -> tuple[Entry, ...]:
    """The entries of a journal, without a last line that was cut off: it came to no write. Raises DocumentError."""
    lines = path.read_bytes().split(b"\n")
    found: list[Entry] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip(b"\0 "):
            continue
        try:
            found.append(_DECODER.decode(line))
        except UNDECODABLE as error:
            if number == len(lines):
                break
            what = f"line {number} is damaged ({error})"
            raise DocumentError(
                what, where=str(path), remedy="compare the registers by hand, then remove it"
            ) from error
    return tuple(found)


def left_behind(directory: Path) -> Iterator[Journal]:
    """The journals that no running test holds, newest first, each locked while it is looked at. Raises InputError."""
    for path in sorted(directory.glob("*.jsonl"), reverse=True):
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CLOEXEC)
        except FileNotFoundError:
            continue
        except PermissionError as error:
            raise _not_ours(path) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            continue
        yield Journal(path, descriptor)


def there_already(sys: str, directory: Path | None = None) -> str | None:
    """One sentence on a run of the same tree that is going on or was left behind; None where there is none."""
    try:
        _refuse_if_there(directory or state_directory(sys), sys)
    except InputError as error:
        return str(error)
    return None


def _refuse_if_there(folder: Path, sys: str) -> None:
    for path in sorted(folder.glob("*.jsonl")):
        try:
            began = next(iter(entries_of(path)), None)
        except PermissionError as error:
            raise _not_ours(path) from error
        if isinstance(began, Began) and began.sys != sys:
            continue
        if _is_locked(path):
            process = began.process if isinstance(began, Began) else "?"
            what = f"another active test is running (process {process})"
            raise InputError(what, where=sys, remedy="wait for it, or stop it")
        if isinstance(began, Began):
            what = f"{began.command} of {began.at[:19]} left something behind"
            raise InputError(what, where=str(path), remedy=_PUT_BACK)


def _not_ours(path: Path) -> InputError:
    return InputError("is the journal of another user's active test", where=str(path), remedy="run as root")


def _is_locked(path: Path) -> bool:
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        return False


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[int]:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield descriptor
    finally:
        os.close(descriptor)
