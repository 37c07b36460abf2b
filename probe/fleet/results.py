"""What a soak or another test said of each link, made ready for the store."""

from collections.abc import Sequence
from datetime import UTC, datetime

import msgspec

from probe.documents.files import decode_document
from probe.evidence import Host
from probe.exceptions import DocumentError
from probe.fleet.chronicle import LinkResult, Trial
from probe.result import Result
from probe.schemas import Schema
from probe.soak.journal import Entry, Start
from probe.soak.record import record

_TESTS = frozenset({"margin", "training", "speeds", "qualification"})
"""Kinds of documents that say what a test found, and name their host."""


class _Side(msgspec.Struct):
    ui: float | None = None
    volts: float | None = None


class _Lane(msgspec.Struct):
    left: _Side | None = None
    right: _Side | None = None
    up: _Side | None = None
    down: _Side | None = None
    both_sides: _Side | None = None
    both_levels: _Side | None = None


class _Receiver(msgspec.Struct):
    lanes: tuple[_Lane, ...] = ()


class _Link(msgspec.Struct):
    downstream_port: str | None = None
    place_id: str = ""
    result: str = Result.INCONCLUSIVE
    reasons: tuple[str, ...] = ()
    receivers: tuple[_Receiver, ...] = ()
    by_kind: dict[str, str] | None = None
    of: int | None = None
    short: int | None = None


class _TestDocument(msgspec.Struct):
    """The part of a test's document that the store keeps."""

    host: Host | None = None
    result: str = Result.INCONCLUSIVE
    links: tuple[_Link, ...] = ()


class _Record(msgspec.Struct):
    """The part of a qualification's record that the store keeps."""

    judged: _TestDocument


def test_of(schema: str) -> str | None:
    """What the test is called that a document of this schema is of; None where it is of none."""
    kind = schema.partition("/")[2].partition("/")[0]
    return kind if kind in _TESTS else None


def result_of_test(data: bytes, name: str, schema: str) -> tuple[Host, Trial]:
    """Whose test, and what it said. Raises DocumentError where the document does not name its host and time."""
    remedy = "look at the file; it is left where it is"
    found = (
        decode_document(data, name, _Record, schema, remedy).judged
        if schema == Schema.QUALIFICATION
        else decode_document(data, name, _TestDocument, schema, remedy)
    )
    if found.host is None:
        raise DocumentError("names no host", where=name, remedy=remedy)
    links = tuple(_link_result(link) for link in found.links if link.by_kind != {})  # a record names links untested too
    return found.host, Trial(
        test=test_of(schema) or "", wall_s=_seconds(found.host, name), result=found.result, links=links
    )


def _seconds(host: Host, name: str) -> int:
    try:
        moment = datetime.fromisoformat(host.taken_at)
    except ValueError as error:
        raise DocumentError(f"has no time ({host.taken_at!r})", where=name, remedy="look at the file") from error
    return int((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp())


def _link_result(link: _Link) -> LinkResult:
    lanes = [lane for receiver in link.receivers for lane in receiver.lanes]
    times = [side.ui for lane in lanes for side in (lane.left, lane.right, lane.both_sides) if side is not None]
    levels = [side.volts for lane in lanes for side in (lane.up, lane.down, lane.both_levels) if side is not None]
    return LinkResult(
        place_id=link.place_id,
        place=link.downstream_port or "",
        result=link.result,
        reasons=link.reasons,
        margin_ui=min((value for value in times if value is not None), default=None),
        margin_volts=min((value for value in levels if value is not None), default=None),
        trainings=link.of,
        trainings_short=link.short,
    )


def result_of_journal(entries: Sequence[Entry]) -> Trial:
    """What a soak said of each link that it watched."""
    start = entries[0]
    if not isinstance(start, Start):
        raise TypeError("a journal begins with its start")
    judged = record(entries)
    links = tuple(LinkResult(link.place_id, link.title, link.result, link.failed) for link in judged.links)
    seconds = _seconds(start.snapshot.evidence.host, "a soak")
    return Trial(test="soak", wall_s=seconds, extent_s=judged.elapsed_s, result=judged.result, links=links)
