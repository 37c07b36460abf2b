"""Spools into a store: every file once, however often it is run, killed, or run beside another.

A snapshot is known by its host, boot and uptime, so that no list of files need be kept. What cannot be used is set
aside, by name and with the reason; the file is left where it is.
"""

import os
import stat
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import msgspec
import pyarrow.compute as pc

from probe.exceptions import DocumentError, InputError, LinkprobeError
from probe.fleet.columns import arrow_table
from probe.fleet.parts import ASIDE, Part, Version, bits, bucket_of
from probe.fleet.rewriting import Done, Identified, Job, Unusable, identify, rewrite, unreadable
from probe.fleet.rows import AsideRow
from probe.fleet.table import EXPIRED, Conflict, Store

_SUFFIXES = (".json", ".json.gz", ".jsonl", ".tar", ".tar.gz")
_FEW, _A_TIME = 512, 256
"""Below this, starting processes costs more than it saves."""

MOST_HOSTS = 1_024
"""A bucket of more hosts is split."""

_TOGETHER = 16
"""Buckets to a commit: few enough to lose little when killed, many enough to keep the log short."""

_TRIES = 20
Given = TypeVar("Given")
Made = TypeVar("Made")


class Ingested(msgspec.Struct, frozen=True, kw_only=True):
    """What a run did, in files."""

    taken: int = 0
    known: int = 0
    set_aside: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()


def ingest(spools: Sequence[Path], store: Store, *, now_s: int | None = None, delete: bool = False) -> Ingested:
    """Take in what is new; `delete` takes away each file that is in.

    Raises InputError where a spool cannot be read or the store cannot be written.
    """
    unlisted: list[OSError] = []
    names = [str(path) for path in _files(spools, unlisted)]
    now_s = int(time.time()) if now_s is None else now_s
    with _workers(len(names)) as workers, store.writing():
        some = [tuple(names[start : start + _A_TIME]) for start in range(0, len(names), _A_TIME)]
        found = [item for items in workers.each(identify, some) for item in items]
        found += [Identified(item.filename, unusable=unreadable(item.filename, item)) for item in unlisted]
        total = _taken_in(store, found, now_s, workers, delete=delete)
        store.sweep()
    return total


def _files(spools: Iterable[Path], unlisted: list[OSError]) -> Iterator[Path]:
    """The files of spools; what of them cannot be listed is added to `unlisted`."""
    for spool in spools:
        try:
            kind = spool.stat().st_mode
        except OSError as error:
            gone = isinstance(error, FileNotFoundError)
            what = "is not there" if gone else f"cannot be read ({error.strerror})"
            raise InputError(what, where=str(spool), remedy="give spool directories or files") from error
        if not stat.S_ISDIR(kind):
            yield spool
            continue
        for folder, _, names in os.walk(spool, onerror=unlisted.append):
            yield from (Path(folder) / name for name in names if name.endswith(_SUFFIXES) and not name.startswith("."))


class _Workers:
    """Maps a function over things: on all processors where there is enough to do."""

    def __init__(self, pool: ProcessPoolExecutor | None) -> None:
        self._pool = pool

    def each(self, function: Callable[[Given], Made], things: Sequence[Given]) -> Iterator[Made]:
        """What the function makes of each, in order."""
        return iter(map(function, things) if self._pool is None else self._pool.map(function, things))


@contextmanager
def _workers(work: int) -> Iterator[_Workers]:
    if work < _FEW:
        yield _Workers(None)
        return
    with ProcessPoolExecutor(mp_context=get_context("forkserver")) as pool:
        yield _Workers(pool)


def _taken_in(store: Store, found: Sequence[Identified], now_s: int, workers: _Workers, *, delete: bool) -> Ingested:
    files: dict[str, list[str]] = {}
    unusable = [item.unusable for item in found if item.unusable is not None]
    for item in found:
        if item.unusable is None:
            files.setdefault(item.host, []).append(item.file)
    total = Ingested()
    for _ in range(_TRIES):
        version = store.version()
        jobs = _jobs(store, version, files, now_s)
        again: dict[str, list[str]] = {}
        for group in _groups(workers.each(rewrite, [job for jobs_of_one in jobs for job in jobs_of_one]), jobs):
            try:
                version = _committed(store, version, group)
            except Conflict:
                again |= {host: list(names) for done in group for host, names in done.job.files.items()}
                version = None
                continue
            total = _with(total, group)
            if delete:
                _delete(group)
            unusable += [item for done in group for item in done.unusable]
        if not again:
            return _aside(store, total, unusable, now_s)
        files = again
    raise InputError("other writers never came to rest", where=store.url, remedy="run fewer of them at once")


def _jobs(store: Store, version: Version | None, files: dict[str, list[str]], now_s: int) -> list[list[Job]]:
    """The jobs, by the bucket whose parts they take from: a bucket with too many hosts is split."""
    buckets = version.buckets if version else frozenset()
    expired = version.settings.get(EXPIRED) if version else None
    mine: dict[str, list[str]] = defaultdict(list)
    for host in files:
        mine[bucket_of(host, buckets)].append(host)
    found = []
    for source, hosts in sorted(mine.items()):
        parts = version.of(source) if version else {}
        held = sum(part.rows for part in parts.get("hosts", ()))
        found.append([
            Job(
                store=store.url, bucket=bucket, source=source, parts=parts, now_s=now_s, expired_before_s=expired,
                files={host: tuple(sorted(files[host], key=_by_name)) for host in sorted(inside)},
            )
            for bucket, inside in _split(source, hosts, held)
        ])  # fmt: skip
    return found


def _by_name(name: str) -> tuple[str, str]:
    return (name.rpartition("/")[2], name)


def _split(bucket: str, hosts: Sequence[str], held: int) -> Iterator[tuple[str, list[str]]]:
    """The bucket whole, or those it is split into; about `held` hosts are in it already."""
    if len(hosts) + held <= MOST_HOSTS:
        yield bucket, list(hosts)
        return
    for digit in "01":
        yield from _split(bucket + digit, [host for host in hosts if bits(host).startswith(bucket + digit)], held // 2)


def _groups(done: Iterable[Done | LinkprobeError], jobs: Sequence[Sequence[Job]]) -> Iterator[list[Done]]:
    """What is committed together: whole source buckets, some at a time. Raises the first error."""
    coming = iter(done)
    group: list[Done] = []
    for count, jobs_of_one in enumerate(jobs, start=1):
        for _ in jobs_of_one:
            item = next(coming)
            if isinstance(item, LinkprobeError):
                raise item
            group.append(item)
        if len(group) >= _TOGETHER or count == len(jobs):
            yield group
            group = []


def _committed(store: Store, version: Version | None, group: Sequence[Done]) -> Version | None:
    adds = [part for done in group for part in done.written.adds]
    removes = list({part.path: part for done in group for part in done.written.removes}.values())
    if not adds and not removes:
        return version
    if version is None:
        version = store.version()
    if version is not None and not set(removes) <= set(version.parts):
        raise Conflict
    committed = store.commit(version, adds, removes)
    for part in {part for done in group for part in done.written.damaged}:
        store.put_away(part)
    return committed


def _delete(group: Sequence[Done]) -> None:
    """Take away the files that are in the store now; what could not be used stays."""
    unusable = {item.file for done in group for item in done.unusable}
    for name in (name for done in group for names in done.job.files.values() for name in names):
        if name not in unusable:
            Path(name).unlink(missing_ok=True)


def _with(total: Ingested, group: Sequence[Done]) -> Ingested:
    return Ingested(
        taken=total.taken + sum(done.taken for done in group),
        known=total.known + sum(done.known for done in group),
        set_aside=total.set_aside,
        damaged=(*total.damaged, *(part.path for done in group for part in done.written.damaged)),
    )


def _aside(store: Store, total: Ingested, unusable: Sequence[Unusable], now_s: int) -> Ingested:
    """Write down which files could not be used; those written down before are known. Unreadable ones are told only."""
    version = store.version()
    parts = version.of(ASIDE).get("aside", []) if version else []
    known = {digest for part in parts for digest in _digests(store, part)}
    fresh = {item.digest: item for item in unusable if item.digest and item.digest not in known}
    told = [*(item.reason for item in fresh.values()), *(item.reason for item in unusable if not item.digest)]
    if fresh:
        rows = [AsideRow(file=item.file, digest=item.digest, reason=item.reason, at_s=now_s) for item in fresh.values()]
        part = store.write("aside", ASIDE, arrow_table("aside", rows))
        _retried(lambda: store.commit(store.version(), [part], []))
    known_files = sum(1 for item in unusable if item.digest) - len(fresh)
    return msgspec.structs.replace(total, known=total.known + known_files, set_aside=tuple(sorted(told)))


def _digests(store: Store, part: Part) -> list[str]:
    try:
        return list(pc.unique(store.read(part)["digest"]).to_pylist())
    except DocumentError:
        return []


def _retried(commit: Callable[[], Version]) -> Version:
    for _ in range(_TRIES):
        try:
            return commit()
        except Conflict:
            continue
    raise InputError("other writers never came to rest", where="the store", remedy="run fewer of them at once")
