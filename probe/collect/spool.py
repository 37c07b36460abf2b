"""The spool: compressed snapshots of one host, whole or absent, rotated by age and size, never filling the disk.

Snapshots hold serial numbers, which the kernel itself keeps to root: the directory and its files are open to who
collects alone, and to the group of the settings. No link in it is followed.
"""

import contextlib
import fcntl
import os
import shutil
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import msgspec

from probe.active.comparing import ResultDocument, command_of
from probe.active.last import LastResult, joined, last_of
from probe.audit.snapshot import Snapshot
from probe.collect.lately import Lately
from probe.collect.missing import Missing
from probe.collect.settings import Settings
from probe.compare.identity import Identity
from probe.documents.files import encode, read_snapshot
from probe.documents.redaction_key import pseudonyms
from probe.documents.rights import others_can_write, read_regular
from probe.documents.spool_name import running_number
from probe.documents.writing import write_atomically
from probe.evidence import Host
from probe.exceptions import InputError, LinkprobeError
from probe.foreign_text import file_name

_SUFFIX = ".json.gz"
_KNOWN, _WIDEST, _MISSING, _LATELY = ".identities.json", ".widest.json", ".missing.json", ".lately.json"
_RESULTS, _RESULTS_FOLDER, _MOST_RESULTS = ".results.json", "results", 200
_TOLD, _LOCK = ".told", ".lock"
_DIRECTORY, _DIRECTORY_OF_GROUP, _FILE, _FILE_OF_GROUP = 0o700, 0o750, 0o600, 0o640
_MARK = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_MEGA = 1_000_000
_DAY_S = 86_400.0


Note = TypeVar("Note")


class Spool:
    """One directory. Names sort in the order of writing, also when the clock was set back."""

    def __init__(self, settings: Settings) -> None:
        self.path = Path(settings.spool)
        self._settings = settings
        self._group = settings.group_id
        self._mode = _FILE if self._group is None else _FILE_OF_GROUP

    @contextmanager
    def held(self, *, patient: bool = False) -> Iterator[bool]:
        """Keep other runs out; False where another run is in, unless `patient`, which waits for its end.

        Raises InputError where the spool cannot be made.
        """
        try:
            self._make()
            descriptor = self._mark(_LOCK)
        except OSError as error:
            what = f"the spool cannot be used ({error.strerror or error})"
            raise InputError(what, where=str(self.path), remedy="make it, or name another in the settings") from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if patient else fcntl.LOCK_NB))
        except BlockingIOError:
            os.close(descriptor)
            yield False
            return
        try:
            yield True
        finally:
            with contextlib.suppress(OSError):  # the lock is gone, whatever the disk answers
                os.close(descriptor)

    def _make(self) -> None:
        """The directory, closed to others. Raises InputError for one that others can write, OSError."""
        if not self.path.exists():
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self.path.mkdir(mode=_DIRECTORY, exist_ok=True)
        there = self.path.stat()
        if os.geteuid() == 0 and (there.st_uid != 0 or others_can_write(there)):
            what = "is a spool that another user can write, and this runs as root"
            raise InputError(what, where=str(self.path), remedy=f"chown root {self.path}; chmod go-w {self.path}")
        if self._group is not None and there.st_gid != self._group and there.st_uid == os.geteuid():
            os.chown(self.path, -1, self._group)
            self.path.chmod(_DIRECTORY_OF_GROUP)

    def _mark(self, name: str) -> int:
        """An open file of ours that is no link, whoever put it there. Raises OSError."""
        descriptor = os.open(self.path / name, _MARK, _FILE)
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise FileExistsError(0, f"{name} is no file")
        return descriptor

    def snapshots(self) -> list[Path]:
        """The snapshots, oldest first. Raises InputError where the spool is there and cannot be listed."""
        try:
            return sorted((path for path in self.path.iterdir() if _is_snapshot(path)), key=_written)
        except FileNotFoundError:
            return []
        except OSError as error:
            what = f"the spool cannot be listed ({error.strerror})"
            raise InputError(what, where=str(self.path), remedy="look at its disk and its rights") from error

    def latest(self) -> Snapshot | None:
        """The newest snapshot that can be read."""
        for path in reversed(self.snapshots()):
            with contextlib.suppress(LinkprobeError):
                return read_snapshot(str(path))
        return None

    def known(self) -> dict[str, Identity]:
        """What was known by the last run of the component in each place; nothing where that cannot be read."""
        return self._noted(_KNOWN, dict[str, Identity]) or {}

    def remember(self, identities: Mapping[str, Identity]) -> None:
        """Keep what is known of each component, for the run after this one."""
        self._note(_KNOWN, identities)

    def widest(self) -> dict[str, int]:
        """The widest that each component was ever seen in its place; nothing where that cannot be read."""
        return self._noted(_WIDEST, dict[str, int]) or {}

    def keep_widest(self, widest: dict[str, int]) -> None:
        """Keep the widest seen, for the run after this one."""
        self._note(_WIDEST, widest)

    def _noted(self, name: str, kind: type[Note]) -> Note | None:
        try:
            return msgspec.json.decode(read_regular(self.path / name), type=kind)
        except (OSError, ValueError, RecursionError):
            return None

    def _note(self, name: str, note: object) -> None:
        path = self.path / name
        there = _status(path)
        if there is not None and stat.S_ISLNK(there.st_mode):
            _remove(path)
        write_atomically(path, msgspec.json.encode(note, order="sorted"), mode=self._mode, group=self._group)

    def lately(self) -> Lately:
        """The link errors of the last runs; none where that cannot be read."""
        return self._noted(_LATELY, Lately) or Lately()

    def keep_lately(self, lately: Lately) -> None:
        """Keep the link errors of the last runs, for the run after this one."""
        self._note(_LATELY, lately)

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

    def missing(self) -> tuple[Missing, ...]:
        """Components that are missing since an earlier run; none where that is damaged."""
        return self._noted(_MISSING, tuple[Missing, ...]) or ()

    def keep_missing(self, missing: tuple[Missing, ...]) -> None:
        """Note what is missing. Raises InputError where it cannot be written."""
        self._note(_MISSING, missing)

    def keep(self, snapshot: Snapshot) -> Path:
        """Write a snapshot and rotate. Raises InputError, with earlier snapshots untouched, where it cannot be kept."""
        listed = self.snapshots()
        number = _written(listed[-1])[0] + 1 if listed else 0
        path = self.path / _named(snapshot.evidence.host, f"{number:08d}")
        data = encode(snapshot)
        self._refuse_without_room(listed, len(data))
        write_atomically(path, data, mode=self._mode, group=self._group)
        self._rotate(path)
        self._leave_room(path)
        return path

    def results(self) -> tuple[LastResult, ...]:
        """What tests that write to hardware last said of each link; nothing where that cannot be read."""
        return self._noted(_RESULTS, tuple[LastResult, ...]) or ()

    def keep_result(self, document: ResultDocument) -> Path:
        """Keep what a test found, for monitoring and for delivery. Raises InputError where it cannot be kept."""
        if self._settings.redact:
            document = pseudonyms(self._settings.redaction_key).clean(document)
        with self.held(patient=True):
            folder = self.path / _RESULTS_FOLDER
            try:
                folder.mkdir(mode=_DIRECTORY if self._group is None else _DIRECTORY_OF_GROUP, exist_ok=True)
            except OSError as error:
                what = f"results cannot be kept ({error.strerror or error})"
                raise InputError(
                    what, where=str(folder), remedy="make room, or take the file of that name away"
                ) from error
            path = folder / _named(document.host, f"{command_of(document)}-{os.getpid()}")
            write_atomically(path, encode(document), mode=self._mode, group=self._group)
            self._note(_RESULTS, joined(self.results(), last_of(document)))
            self._rotate_results(folder, path)
        return path

    def _rotate_results(self, folder: Path, newest: Path) -> None:
        """Give up results of an age, and the oldest beyond a number."""
        found = sorted(folder.glob(f"*{_SUFFIX}"), key=lambda path: (_age(path), path.name))
        until = _age(newest) - self._settings.keep_days * _DAY_S
        for number, path in enumerate(found):
            if path != newest and (_age(path) < until or number < len(found) - _MOST_RESULTS):
                _remove(path)

    def _refuse_without_room(self, listed: list[Path], coming: int) -> None:
        """Raise InputError where the disk would be left too full even without all older snapshots but the newest."""
        share = self._settings.keep_free_share
        given_up = sum(there.st_size for path in listed[:-1] if (there := _status(path)) is not None)
        if 0 < share > self._free_after(coming - given_up):
            what = f"less than {share:.0%} of the disk would be left free"
            raise InputError(what, where=str(self.path), remedy="make room; earlier snapshots are kept as they are")

    def _leave_room(self, newest: Path) -> None:
        """Give up the oldest snapshots, once the new one is kept, while the disk has less free than is to be left."""
        for oldest in self.snapshots():
            if oldest == newest or self._free_after(0) >= self._settings.keep_free_share:
                return
            _remove(oldest)

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


def _named(host: Host, what: str) -> str:
    moment = host.taken_at.partition("+")[0].replace("-", "").replace(":", "")
    return f"{moment}Z-{what}-{file_name(host.name or 'host')}{_SUFFIX}"


def _age(path: Path) -> float:
    there = _status(path)
    return there.st_mtime if there else 0.0


def _is_snapshot(path: Path) -> bool:
    there = _status(path)
    return running_number(path.name) is not None and there is not None and stat.S_ISREG(there.st_mode)


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
