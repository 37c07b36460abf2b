"""linkprobe fleet compact, expire, forget."""

import re
import sys
from typing import Annotated

import typer

from probe.cli.fleet_options import StoreOption
from probe.counted import counted
from probe.exceptions import InputError
from probe.fleet import keeping
from probe.fleet.keeping import Kept
from probe.fleet.table import Store

_AGE = re.compile(r"(\d+(?:\.\d+)?)\s*(h|d|w|y)")
_DAYS = {"h": 1 / 24, "d": 1.0, "w": 7.0, "y": 365.25}


def days_of(text: str) -> float:
    """An age as a person writes it, 12h, 45d, 8w or 2y, in days. Raises InputError."""
    match = _AGE.fullmatch(text.strip())
    if match is None:
        raise InputError("is no age", where=repr(text), remedy="write it as 12h, 45d, 8w or 2y")
    return float(match[1]) * _DAYS[match[2]]


def compact(
    store: StoreOption,
    settle: Annotated[str, typer.Option(metavar="AGE", help="How old history is settled: 21d.")] = "21d",
) -> None:
    """Make the store small: keep of old history what changed, and each day. Safe beside ingest."""
    _told(keeping.compact(Store(store), settle_days=days_of(settle)))


def expire(
    store: StoreOption,
    older_than: Annotated[str, typer.Option("--older-than", metavar="AGE", help="As 400d or 2y.")],
) -> None:
    """Let go of what was seen longer ago, now and in whatever is ingested later. The spools are left alone."""
    _told(keeping.expire_older(Store(store), days=days_of(older_than)))


def forget(
    host: Annotated[str, typer.Argument(metavar="HOST", help="The name or the machine of a host.")], store: StoreOption
) -> None:
    """Leave nothing of a host in the store. Its spool is left alone: take that away too, or ingest finds it again."""
    _told(keeping.forget(Store(store), host))


def _told(done: Kept) -> None:
    before, after = done.bytes_before / 1e6, done.bytes_after / 1e6
    sys.stdout.write(
        f"{counted(done.hosts, 'host')} rewritten, {done.gone} gone, {before:.1f} MB before, {after:.1f} MB after, "
        f"{counted(done.files_deleted, 'file')} deleted\n"
    )
