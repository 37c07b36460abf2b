"""What an operator does to a store now and then: make it small, let old history go, and forget a host."""

import time
from collections.abc import Callable, Iterable
from functools import partial

import msgspec

from probe.exceptions import InputError
from probe.fleet.boots import placed
from probe.fleet.bucket import Bucket, Written
from probe.fleet.columns import arrow_table
from probe.fleet.parts import ASIDE, Part, Version
from probe.fleet.rows import AsideRow
from probe.fleet.settling import SETTLE_DAYS, expire, settle
from probe.fleet.table import EXPIRED, Conflict, Store
from probe.fleet.telling import facts_of, name_of

_DAY_S = 86_400
_TRIES = 20


class Kept(msgspec.Struct, frozen=True, kw_only=True):
    """What was done: hosts changed, hosts gone, bytes before and after, files deleted."""

    hosts: int = 0
    gone: int = 0
    bytes_before: int = 0
    bytes_after: int = 0
    files_deleted: int = 0


def compact(store: Store, *, settle_days: float = SETTLE_DAYS, now_s: int | None = None) -> Kept:
    """Settle what is older than `settle_days`, and write every bucket as one part a kind. Safe beside ingest."""
    before_s = _now(now_s) - round(settle_days * _DAY_S)

    def settled(bucket: Bucket) -> Kept:
        hosts = 0
        for host in bucket.hosts:
            chronicle = bucket.chronicle(host)
            if settle(chronicle, before_s):
                bucket.replace(chronicle, quiet=False)
                hosts += 1
        return Kept(hosts=hosts)

    return _each_bucket(store, settled, whole=True)


def expire_older(store: Store, *, days: float, now_s: int | None = None) -> Kept:
    """Let go of everything that was seen more than `days` ago, now and in whatever is ingested later."""
    if days <= 0:
        raise InputError("is no age", where=f"{days:g}", remedy="give days, as 400")
    before_s = _now(now_s) - round(days * _DAY_S)
    _set(store, {EXPIRED: before_s})

    def expired(bucket: Bucket) -> Kept:
        hosts = gone = 0
        for host in bucket.hosts:
            chronicle = bucket.chronicle(host)
            if not expire(chronicle, before_s):
                continue
            if chronicle.boots or chronicle.results:
                bucket.replace(chronicle, quiet=False)
                hosts += 1
            else:
                bucket.remove(host)
                gone += 1
        return Kept(hosts=hosts, gone=gone)

    return _each_bucket(store, expired)


def forget(store: Store, host: str) -> Kept:
    """Leave nothing of a host, by name or machine: no row, no older part, no file that was set aside under its name.

    Raises InputError where the store knows no such host.
    """

    def forgotten(bucket: Bucket) -> Kept:
        gone = 0
        for key in bucket.hosts:
            chronicle = bucket.chronicle(key)
            names = {item.name for item in chronicle.facts}
            if host in {key, *names, name_of(chronicle, facts_of(chronicle, placed(chronicle.boots)))}:
                bucket.remove(key)
                gone += 1
        return Kept(gone=gone)

    done = _each_bucket(store, forgotten, grace_s=0, also=lambda version: _aside_without(store, version, host))
    store.clear_damaged()
    if not done.gone:
        raise InputError("is no host of this store", where=host, remedy="see: linkprobe fleet silent --after 0h")
    return done


def _now(now_s: int | None) -> int:
    return int(time.time()) if now_s is None else now_s


def _aside_without(store: Store, version: Version, host: str) -> Written:
    parts = version.of(ASIDE).get("aside", [])
    rows = [AsideRow(**row) for part in parts for row in store.read(part).to_pylist()]
    kept = [row for row in rows if host not in row.file and host not in row.reason]
    if len(kept) == len(rows):
        return Written()
    adds = (store.write("aside", ASIDE, arrow_table("aside", kept)),) if kept else ()
    return Written(adds, tuple(parts))


def _each_bucket(
    store: Store,
    change: Callable[[Bucket], Kept],
    *,
    whole: bool = False,
    grace_s: int | None = None,
    also: Callable[[Version], Written] | None = None,
) -> Kept:
    """Change the buckets one after the other, each in a commit of its own, and delete what no version names."""
    with store.writing():
        version = store.version()
        if version is None:
            raise InputError("holds nothing", where=store.url, remedy="fill it with: linkprobe fleet ingest")
        total = Kept(bytes_before=_size(version.parts))
        for name in sorted(version.buckets):
            total = _added(total, _retried(store, partial(_changed, store, name=name, change=change, whole=whole)))
        if also is not None:
            _retried(store, lambda now: (Kept(), also(now)))
        deleted = store.sweep() if grace_s is None else store.sweep(grace_s)
        after = store.version()
        size = _size(after.parts) if after else 0
    return msgspec.structs.replace(total, bytes_after=size, files_deleted=deleted)


def _changed(
    store: Store, version: Version, *, name: str, change: Callable[[Bucket], Kept], whole: bool
) -> tuple[Kept, Written]:
    parts = version.of(name)
    bucket = Bucket(store, name, parts)
    kept = change(bucket)
    many = any(len(listed) > 1 for listed in parts.values())
    return kept, bucket.written(whole=whole) if kept.hosts or kept.gone or (whole and many) else Written()


def _retried(store: Store, attempt: Callable[[Version], tuple[Kept, Written]]) -> Kept:
    for _ in range(_TRIES):
        version = store.version()
        if version is None:
            return Kept()
        kept, written = attempt(version)
        if not written.adds and not written.removes:
            return kept
        try:
            store.commit(version, written.adds, written.removes)
        except Conflict:
            continue
        return kept
    raise InputError("other writers never came to rest", where=store.url, remedy="run it when no ingest is running")


def _set(store: Store, settings: dict[str, int]) -> None:
    with store.writing():
        for _ in range(_TRIES):
            version = store.version()
            if version is None:
                return
            try:
                store.commit(version, (), (), settings)
            except Conflict:
                continue
            return


def _added(one: Kept, other: Kept) -> Kept:
    return msgspec.structs.replace(one, hosts=one.hosts + other.hosts, gone=one.gone + other.gone)


def _size(parts: Iterable[Part]) -> int:
    return sum(part.size for part in parts)
