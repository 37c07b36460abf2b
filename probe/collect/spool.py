"""The spool: compressed snapshots of one host, whole or absent, rotated by age and size, never filling the disk.

Snapshots hold serial numbers, which the kernel itself keeps to root: the directory and its files are open to who
collects alone. Nothing in it is followed as a link.
"""

import contextlib
import fcntl
import os
import re
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from probe.audit.snapshot import Snapshot
from probe.collect.missing import Missing
from probe.collect.settings import Settings
from probe.compare.identity import Identity
from probe.documents.files import encode, read_bytes, read_snapshot
from probe.documents.spool_name import running_number
from probe.documents.writing import write_atomically
from probe.exceptions import InputError, LinkprobeError

_SUFFIX = ".json.gz"
_KNOWN = ".identities.json"
_UNSAFE = re.compile(r"[^A-Za-z0-9.-]")
_NAME_LENGTH = 64
_MEGA = 1_000_000
_DAY_S = 86_400.0
_DIRECTORY, _FILE = 0o700, 0o600
_MARK = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_WIDEST, _MISSING, _TOLD, _LOCK = ".widest.json", ".missing.json", ".told", ".lock"


class Spool:
    """One directory. Names sort in the order of writing, also when the clock was set back."""

    def __init__(self, settings: Settings) -> None:
        self.path = Path(settings.spool)
        self._settings = settings

    @contextmanager
    def held(self) -> Iterator[bool]:
        """Keep other runs out; False where another run is in. Raises InputError where the spool cannot be made."""
        try:
            self._make()
            descriptor = self._mark(_LOCK)
        except OSError as error:
            what = f"the spool cannot be used ({error.strerror or error})"
            raise InputError(what, where=str(self.path), remedy="make it, or name another in the settings") from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            yield False
            return
        try:
            yield True
        finally:
            os.close(descriptor)

    def _make(self) -> None:
        """The directory, closed to others. Raises InputError for one of another user, as root."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self.path.mkdir(mode=_DIRECTORY, exist_ok=True)
        if os.geteuid() == 0 and self.path.stat().st_uid != 0:
            what = "is a spool of another user, and this runs as root"
            raise InputError(what, where=str(self.path), remedy=f"chown root {self.path}")

    def _mark(self, name: str) -> int:
        """An open file of ours that is no link, whoever put it there."""
        descriptor = os.open(self.path / name, _MARK, _FILE)
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise OSError(0, f"{name} is no file")
        return descriptor

    def snapshots(self) -> list[Path]:
        """The snapshots, oldest first."""
        try:
            return sorted((path for path in self.path.iterdir() if running_number(path.name) is not None), key=_written)
        except OSError:
            return []

    def latest(self) -> Snapshot | None:
        """The newest snapshot that can be read."""
        for path in reversed(self.snapshots()):
            with contextlib.suppress(LinkprobeError):
                return read_snapshot(str(path))
        return None

    def known(self) -> dict[str, Identity]:
        """What was known by the last run of the component in each place; nothing where that cannot be read."""
        try:
            return msgspec.json.decode((self.path / _KNOWN).read_bytes(), type=dict[str, Identity])
        except (OSError, msgspec.DecodeError):
            return {}

    def remember(self, identities: dict[str, Identity]) -> None:
        """Keep what is known of each component, for the run after this one."""
        write_atomically(self.path / _KNOWN, msgspec.json.encode(identities))

    def missing(self) -> tuple[Missing, ...]:
        """Components that are missing since an earlier run; none where that is damaged."""
        try:
            return msgspec.json.decode(read_bytes(str(self.path / _MISSING)), type=tuple[Missing, ...])
        except (LinkprobeError, ValueError, RecursionError):
            return ()

    def keep_missing(self, missing: tuple[Missing, ...]) -> None:
        """Note what is missing. Raises InputError where it cannot be written."""
        write_atomically(self.path / _MISSING, msgspec.json.encode(missing), mode=_FILE)

    def keep(self, snapshot: Snapshot) -> Path:
        """Write a snapshot and rotate. Raises InputError, with earlier snapshots untouched, where it cannot be kept."""
        listed = self.snapshots()
        host = snapshot.evidence.host
        moment = host.taken_at.partition("+")[0].replace("-", "").replace(":", "")
        number = _written(listed[-1])[0] + 1 if listed else 0
        name = _UNSAFE.sub("_", host.name or "host")[:_NAME_LENGTH]
        path = self.path / f"{moment}Z-{number:08d}-{name}{_SUFFIX}"
        data = encode(snapshot)
        self._make_room(listed, len(data))
        write_atomically(path, data, mode=_FILE)
        self._rotate(path)
        return path

    def told(self) -> float:
        """When a run last ended well, seconds since the epoch; 0 where none did."""
        try:
            there = os.lstat(self.path / _TOLD)
        except OSError:
            return 0.0
        return there.st_mtime if stat.S_ISREG(there.st_mode) else 0.0

    def tell(self) -> None:
        """Note that a run ended well. Where that cannot be noted, the older time stays."""
        with contextlib.suppress(OSError):
            descriptor = self._mark(_TOLD)
            try:
                os.utime(descriptor)
            finally:
                os.close(descriptor)

    def widest(self) -> dict[str, int]:
        """The widest that each component was ever seen in its place; nothing where that is damaged."""
        try:
            data = read_bytes(str(self.path / _WIDEST))
            return msgspec.json.decode(data, type=dict[str, int])
        except (LinkprobeError, ValueError, RecursionError):
            return {}

    def keep_widest(self, widest: dict[str, int]) -> None:
        """Note the widest seen. Raises InputError where it cannot be written."""
        data = msgspec.json.encode(widest, order="sorted")
        write_atomically(self.path / _WIDEST, data, mode=_FILE)

    def _make_room(self, listed: list[Path], coming: int) -> None:
        """Give up the oldest snapshots, but never the newest, while the disk has less free than is to be kept free."""
        for oldest in listed[:-1]:
            if self._free_after(coming) >= self._settings.keep_free_share:
                return
            _remove(oldest)
        if self._free_after(coming) < self._settings.keep_free_share and self._settings.keep_free_share > 0:
            what = f"less than {self._settings.keep_free_share:.0%} of the disk would be left free"
            raise InputError(what, where=str(self.path), remedy="make room; earlier snapshots are kept as they are")

    def _free_after(self, coming: int) -> float:
        """The share of the disk that is left free. Where the disk cannot be asked, none is given up for it."""
        try:
            usage = shutil.disk_usage(self.path)
        except OSError:
            return 1.0
        return (usage.free - coming) / usage.total

    def _rotate(self, newest: Path) -> None:
        listed = self.snapshots()
        found = {path: _status(path) for path in listed}
        there = found.get(newest)
        until = (there.st_mtime if there else 0.0) - self._settings.keep_days * _DAY_S
        sizes = {path: status.st_size if status else 0 for path, status in found.items()}
        for path in listed:
            if path == newest:
                break
            status = found[path]
            if (status and status.st_mtime < until) or sum(sizes.values()) > self._settings.keep_megabytes * _MEGA:
                _remove(path)
                del sizes[path]


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)


def _status(path: Path) -> os.stat_result | None:
    try:
        return os.lstat(path)
    except OSError:
        return None


def _written(path: Path) -> tuple[int, str]:
    """The order of writing: the running number, which no clock can set back."""
    number = running_number(path.name)
    return (-1 if number is None else number, path.name)
