"""Files taken into one bucket. Runs in processes of their own; commits nothing."""

from collections.abc import Iterator
from functools import cache
from hashlib import blake2b
from pathlib import Path

import msgspec

from probe.documents.files import regular_bytes
from probe.exceptions import DocumentError, LinkprobeError
from probe.fleet.bucket import Bucket, Written
from probe.fleet.chronicle import Scribe
from probe.fleet.parts import Part
from probe.fleet.reading import REMEDY, Read, Reader, peek
from probe.fleet.settling import expire
from probe.fleet.table import Store


class Job(msgspec.Struct, frozen=True, kw_only=True):
    """What is to be done to one bucket: files by host. `source` is the bucket whose parts hold its hosts now."""

    store: str
    bucket: str
    source: str
    parts: dict[str, list[Part]]
    files: dict[str, tuple[str, ...]]
    now_s: int
    expired_before_s: int | None = None


class Unusable(msgspec.Struct, frozen=True):
    """A file that gives nothing, and why; its digest is empty where it could not even be read."""

    file: str
    digest: str
    reason: str


class Done(msgspec.Struct, frozen=True, kw_only=True):
    """What a job made, and what became of its files."""

    job: Job
    written: Written = Written()
    taken: int = 0
    known: int = 0
    unusable: tuple[Unusable, ...] = ()


class Identified(msgspec.Struct, frozen=True):
    """A file and the host that it is of; or why it is of none."""

    file: str
    host: str = ""
    unusable: Unusable | None = None


class _Given(msgspec.Struct):
    """What the files of a host gave."""

    taken: int = 0
    known: int = 0
    stirred: bool = False


@cache
def opened(url: str) -> Store:
    """A store, once a process."""
    return Store(url)


def identify(names: tuple[str, ...]) -> list[Identified]:
    """Whose each file is, from its first bytes where these tell; files that are gone are left out."""
    reader = Reader()
    return [item for name in names if (item := _identified(name, reader)) is not None]


def _identified(name: str, reader: Reader) -> Identified | None:
    try:
        key = peek(Path(name))
        if key is not None:
            return Identified(name, key.host)
        found = _read(name, reader)
    except FileNotFoundError:
        return None  # its host's rotation has just taken it away
    except OSError as error:
        return Identified(name, unusable=unreadable(name, error))
    return Identified(name, unusable=found) if isinstance(found, Unusable) else Identified(name, found.host)


def _read(name: str, reader: Reader) -> Read | Unusable:
    """What a file holds, or why it holds nothing. Raises OSError."""
    try:
        data = regular_bytes(name)
    except DocumentError as error:
        return Unusable(name, "", str(error))
    try:
        return reader.read(data, name)
    except DocumentError as error:
        return Unusable(name, blake2b(data, digest_size=16).hexdigest(), str(error))


def unreadable(name: str, error: OSError) -> Unusable:
    """What could not be read, in words: told each time, for there are no bytes to know it by."""
    return Unusable(name, "", f"{name}: cannot be read ({error.strerror}); {REMEDY}")


def rewrite(job: Job) -> Done | LinkprobeError:
    """Take files into a bucket; an error where the store cannot be written."""
    try:
        return _rewritten(job)
    except LinkprobeError as error:
        return error


def _rewritten(job: Job) -> Done:
    bucket = Bucket(opened(job.store), job.bucket, job.parts)
    reader = Reader()
    unusable: list[Unusable] = []
    taken = known = 0
    for host, names in job.files.items():
        scribe = Scribe(bucket.chronicle(host))
        given = _Given()
        for item in _readings(names, scribe, reader, given):
            if isinstance(item, Unusable):
                unusable.append(item)
            else:
                _take(item, scribe, given, job.now_s)
        taken += given.taken
        known += given.known
        if given.taken:
            if job.expired_before_s is not None:
                given.stirred = expire(scribe.chronicle, job.expired_before_s) or given.stirred
            bucket.replace(scribe.chronicle, quiet=not given.stirred)
    moved = job.bucket != job.source
    written = bucket.written(whole=moved) if taken or moved else Written()
    return Done(job=job, written=written, taken=taken, known=known, unusable=tuple(unusable))


def _readings(names: tuple[str, ...], scribe: Scribe, reader: Reader, given: _Given) -> Iterator[Read | Unusable]:
    """What the files hold that are not known yet."""
    for name in names:
        try:
            key = peek(Path(name))
            if key is not None and scribe.chronicle.knows(key.boot, key.moment):
                given.known += 1
                continue
            yield _read(name, reader)
        except FileNotFoundError:
            continue  # as above
        except OSError as error:
            yield unreadable(name, error)


def _take(read: Read, scribe: Scribe, given: _Given, now_s: int) -> None:
    told = [scribe.add(seen, now_s) for seen in read.observations]
    news = [scribe.add_result(result) for result in read.results]
    if all(item is None for item in told) and not any(news):
        given.known += 1
        return
    given.taken += 1
    given.stirred = given.stirred or any(told) or any(news)
