"""The journal: one JSON object a line, on the disk after each sample, so that a crash loses at most the last one.

Older samples are thinned to the least, mean and most of each value; events, errors and passes never are. Thinning
writes the file anew, whole or not at all.
"""

import os
from collections.abc import Iterable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import Self

import msgspec

from probe.audit.snapshot import Snapshot
from probe.documents.writing import let_go, write_all, write_atomically
from probe.exceptions import DocumentError, InputError
from probe.loads.results import Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent
from probe.schemas import Schema

FINE_SAMPLES = 1800
BUCKET_SAMPLES = 60
COARSE_BUCKETS = 1440


class LinkSample(msgspec.Struct, frozen=True, array_like=True):
    """One link at one moment: GT/s, lanes, bytes a second each way, degrees Celsius. None is not read."""

    speed_gts: float | None = None
    width: int | None = None
    to_host_bytes_s: float | None = None
    from_host_bytes_s: float | None = None
    temperature_c: float | None = None


class Spread(msgspec.Struct, frozen=True, array_like=True):
    """Least, mean and most of one value over thinned samples."""

    least: float
    mean: float
    most: float


class Start(msgspec.Struct, frozen=True, kw_only=True, tag="start"):
    """How it began: the snapshot before, what is watched, what is run, and the limits that apply."""

    schema: str = Schema.JOURNAL
    snapshot: Snapshot
    place_ids: tuple[str, ...] = msgspec.field(name="places")
    loads: tuple[str, ...]
    interval_s: float
    planned_s: float
    correctable_limit: str
    boot_clock_s: float = 0.0
    stops: tuple[str, ...] = ()
    covers: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    rate_bytes_s: float | None = None
    accepts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class Sample(msgspec.Struct, frozen=True, tag="sample"):
    """All links at `t` seconds since the start."""

    t: float
    links: dict[str, LinkSample]


class Thinned(msgspec.Struct, frozen=True, tag="thinned"):
    """Many samples as one: for each link the spread of each value, in LinkSample's order."""

    t: float
    until: float
    samples: int
    links: dict[str, tuple[Spread | None, ...]]


class Baseline(msgspec.Struct, frozen=True, tag="baseline"):
    """From `t` on errors count: the links have reached working speed under load (or the time for it was over)."""

    t: float
    aspm: dict[str, str | None]


class LoadEnded(msgspec.Struct, frozen=True, kw_only=True, tag="load"):
    """A load came to its end: its exit status, or what went wrong, and the end of what it printed."""

    t: float
    load: str
    status: int | None = None
    failure: str | None = None
    output: str = ""


class Cause(StrEnum):
    """Why a soak ended."""

    PLANNED = "planned"
    LOADS_ENDED = "loads ended"
    INTERRUPTED = "interrupted"
    UNCORRECTABLE = "uncorrectable error"
    LINK_LOST = "link lost"
    ERROR_LIMIT = "error limit"
    TEMPERATURE = "temperature"


class End(msgspec.Struct, frozen=True, kw_only=True, tag="end"):
    """How it ended, with the snapshot after where one could be taken."""

    t: float
    why: str
    complete: bool
    snapshot: Snapshot | None = None
    cause: Cause | None = None


Entry = Start | Sample | Thinned | LinkEvent | CountedErrors | Pass | Mismatch | Baseline | LoadEnded | End
_ENCODER = msgspec.json.Encoder()
_DECODER: msgspec.json.Decoder[Entry] = msgspec.json.Decoder(Entry)


class Journal:
    """An open journal; everything appended is on the disk when the call returns."""

    def __init__(self, path: Path, flags: int = 0) -> None:
        self._path = path
        self._fine = 0
        try:
            self._descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC | flags, 0o666)
        except OSError as error:
            raise _cannot_write(path, error) from error

    @classmethod
    def create(cls, path: Path) -> Self:
        """A new journal. Raises InputError where a file is already there or cannot be made."""
        try:
            return cls(path, os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW)
        except InputError as error:
            if not isinstance(error.__cause__, FileExistsError):
                raise
            remedy = "name a new file, or close it: linkprobe soak close"
            raise InputError("is already there", where=str(path), remedy=remedy) from error

    def append(self, *entries: Entry) -> None:
        """Write entries and have them on the disk. Raises InputError when the disk is full."""
        data = b"".join(_ENCODER.encode(entry) + b"\n" for entry in entries)
        try:
            write_all(self._descriptor, data)
            os.fdatasync(self._descriptor)
        except OSError as error:
            raise _cannot_write(self._path, error) from error
        self._fine += sum(isinstance(entry, Sample) for entry in entries)
        if self._fine >= 2 * FINE_SAMPLES:
            self._thin()

    def _thin(self) -> None:
        entries = list(thinned(read_entries(self._path)))
        write_atomically(self._path, b"".join(_ENCODER.encode(entry) + b"\n" for entry in entries))
        let_go(self._descriptor)
        try:
            self._descriptor = os.open(self._path, os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC)
        except OSError as error:
            raise _cannot_write(self._path, error) from error
        self._fine = FINE_SAMPLES

    def close(self) -> None:
        """Let the file go: each line is on the disk."""
        let_go(self._descriptor)


def _cannot_write(path: Path, error: OSError) -> InputError:
    what = f"the journal cannot be written ({error.strerror})"
    return InputError(what, where=str(path), remedy="make room, then: linkprobe soak close")


def read_entries(path: Path) -> list[Entry]:
    """The entries of a journal, without a last line that a crash cut off. Raises InputError or DocumentError."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=str(path), remedy="check the name") from error
    return entries_of(data, str(path))


def entries_of(data: bytes, name: str) -> list[Entry]:
    """The entries that a journal's bytes hold, without a last line cut off. Raises DocumentError."""
    entries: list[Entry] = []
    lines = data.split(b"\n")
    for number, line in enumerate(lines, start=1):
        if not line.strip(b"\0 "):
            continue
        try:
            entries.append(_DECODER.decode(line))
        except msgspec.MsgspecError as error:
            if number >= len(lines) - 1:
                break  # the last line was being written when it ended
            what = f"line {number} is not of a journal ({error})"
            raise DocumentError(what, where=name, remedy="give a record of linkprobe soak") from error
    if not entries or not isinstance(entries[0], Start):
        raise DocumentError("does not begin as a journal does", where=name, remedy="give a record of linkprobe soak")
    return entries


def thinned(entries: Iterable[Entry]) -> Iterator[Entry]:
    """The same entries with all but the last fine samples thinned, and old buckets made coarser."""
    listed = list(entries)
    samples = [entry for entry in listed if isinstance(entry, Sample)]
    keep_from = samples[-FINE_SAMPLES].t if len(samples) > FINE_SAMPLES else -1.0
    buckets = [entry for entry in listed if isinstance(entry, Thinned)]
    coarse_until = buckets[-COARSE_BUCKETS].t if len(buckets) > COARSE_BUCKETS else -1.0
    waiting: list[Sample | Thinned] = []
    for entry in listed:
        if (isinstance(entry, Sample) and entry.t < keep_from) or (
            isinstance(entry, Thinned) and entry.t < coarse_until
        ):
            waiting.append(entry)
            if len(waiting) == BUCKET_SAMPLES:
                yield bucket(waiting)
                waiting = []
        elif isinstance(entry, Sample | Thinned):
            if waiting:
                yield bucket(waiting)
                waiting = []
            yield entry
        else:
            yield entry
    if waiting:
        yield bucket(waiting)


def bucket(samples: list[Sample | Thinned]) -> Thinned:
    """Samples (and buckets) as one bucket."""
    places = sorted({place for sample in samples for place in sample.links})
    count = sum(sample.samples if isinstance(sample, Thinned) else 1 for sample in samples)
    last = samples[-1]
    until = last.until if isinstance(last, Thinned) else last.t
    return Thinned(samples[0].t, until, count, {place: _spreads(place, samples) for place in places})


def _spreads(place: str, samples: list[Sample | Thinned]) -> tuple[Spread | None, ...]:
    return tuple(_spread(place, index, samples) for index in range(len(LinkSample.__struct_fields__)))


def _spread(place: str, index: int, samples: list[Sample | Thinned]) -> Spread | None:
    found: list[tuple[Spread, int]] = []
    for sample in samples:
        if place not in sample.links:
            continue
        if isinstance(sample, Thinned):
            spread = sample.links[place][index]
            if spread is not None:
                found.append((spread, sample.samples))
        else:
            value = getattr(sample.links[place], LinkSample.__struct_fields__[index])
            if value is not None:
                found.append((Spread(value, value, value), 1))
    if not found:
        return None
    weight = sum(count for _, count in found)
    mean = sum(spread.mean * count for spread, count in found) / weight
    return Spread(min(spread.least for spread, _ in found), mean, max(spread.most for spread, _ in found))
