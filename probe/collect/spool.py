"""The spool: compressed snapshots of one host, whole or absent, rotated by age and size, never filling the disk."""

import contextlib
import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from probe.audit.snapshot import Snapshot
from probe.collect.settings import Settings
from probe.documents.files import encode, read_snapshot
from probe.documents.spool_name import running_number
from probe.documents.writing import write_atomically
from probe.exceptions import InputError, LinkprobeError
from probe.foreign_text import file_name

_SUFFIX = ".json.gz"
_MEGA = 1_000_000
_DAY_S = 86_400.0


class Spool:
    """One directory. Names sort in the order of writing, also when the clock was set back."""

    def __init__(self, settings: Settings) -> None:
        self.path = Path(settings.spool)
        self._settings = settings

    @contextmanager
    def held(self) -> Iterator[bool]:
        """Keep other runs out; False where another run is in. Raises InputError where the spool cannot be made."""
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(self.path / ".lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            what = f"the spool cannot be used ({error.strerror})"
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

    def keep(self, snapshot: Snapshot) -> Path:
        """Write a snapshot and rotate. Raises InputError, with earlier snapshots untouched, where it cannot be kept."""
        listed = self.snapshots()
        host = snapshot.evidence.host
        moment = host.taken_at.partition("+")[0].replace("-", "").replace(":", "")
        number = _written(listed[-1])[0] + 1 if listed else 0
        name = file_name(host.name or "host")
        path = self.path / f"{moment}Z-{number:08d}-{name}{_SUFFIX}"
        self._make_room(listed, len(encode(snapshot)))
        write_atomically(path, encode(snapshot))
        self._rotate(path)
        return path

    def _make_room(self, listed: list[Path], coming: int) -> None:
        """Give up the oldest snapshots, but never the newest, while the disk has less free than is to be kept free."""
        for oldest in listed[:-1]:
            if self._free_after(coming) >= self._settings.keep_free_share:
                return
            oldest.unlink(missing_ok=True)
        if self._free_after(coming) < self._settings.keep_free_share and self._settings.keep_free_share > 0:
            what = f"less than {self._settings.keep_free_share:.0%} of the disk would be left free"
            raise InputError(what, where=str(self.path), remedy="make room; earlier snapshots are kept as they are")

    def _free_after(self, coming: int) -> float:
        usage = shutil.disk_usage(self.path)
        return (usage.free - coming) / usage.total

    def _rotate(self, newest: Path) -> None:
        listed = self.snapshots()
        until = newest.stat().st_mtime - self._settings.keep_days * _DAY_S
        sizes = {path: path.stat().st_size for path in listed}
        for path in listed:
            if path == newest:
                break
            if path.stat().st_mtime < until or sum(sizes.values()) > self._settings.keep_megabytes * _MEGA:
                path.unlink(missing_ok=True)
                del sizes[path]


def _written(path: Path) -> tuple[int, str]:
    """The order of writing: the running number, which no clock can set back."""
    number = running_number(path.name)
    return (-1 if number is None else number, path.name)
