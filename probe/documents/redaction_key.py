"""The key of redaction: made once for a user, readable by nobody else, another file where several hosts share one."""

import os
import secrets
from pathlib import Path

from probe.documents.files import regular_bytes
from probe.documents.redaction import Pseudonyms
from probe.documents.rights import others_can_read
from probe.documents.writing import PRIVATE, write_atomically
from probe.exceptions import DocumentError, InputError

VARIABLE = "LINKPROBE_REDACTION_KEY"
"""Names the file of the key."""

_BYTES = 32
_REMEDY = f"name another file in {VARIABLE}"


def pseudonyms(file: str | None = None) -> Pseudonyms:
    """The names by the key in a file, or by this user's; it is made where there is none.

    Raises InputError, DocumentError.
    """
    path = Path(file) if file else _place()
    try:
        key = _kept(path) or _made(path)
    except OSError as error:
        what = f"the key of redaction cannot be used ({error.strerror or error})"
        raise InputError(what, where=str(path), remedy=_REMEDY) from error
    if len(key) < _BYTES:
        raise DocumentError(f"is no key: it has fewer than {_BYTES} bytes", where=str(path), remedy=_REMEDY)
    return Pseudonyms(key)


def _place() -> Path:
    named = os.environ.get(VARIABLE)
    if named:
        return Path(named)
    state = os.environ.get("XDG_STATE_HOME")  # XDG Base Directory Specification
    try:
        return (Path(state) if state else Path.home() / ".local/state") / "linkprobe/redaction.key"
    except RuntimeError as error:
        raise InputError("has no home directory for the key of redaction", where="this user", remedy=_REMEDY) from error


def _kept(path: Path) -> bytes | None:
    try:
        there = path.stat()
    except FileNotFoundError:
        return None
    if others_can_read(there):
        what = "can be read by others, so that its names would lead back"
        raise InputError(what, where=str(path), remedy=f"chmod 600 {path}, or {_REMEDY}")
    return regular_bytes(str(path))


def _made(path: Path) -> bytes:
    """A new key, or the one that another run has just made: a name once given is kept."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    fresh = path.with_name(f"{path.name}.{secrets.token_hex(8)}")
    write_atomically(fresh, secrets.token_bytes(_BYTES), mode=PRIVATE)
    try:
        os.link(fresh, path)
    except FileExistsError:
        pass
    finally:
        fresh.unlink()
    return regular_bytes(str(path))
