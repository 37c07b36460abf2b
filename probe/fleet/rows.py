"""One row a link a snapshot: the store's schema, in one place. It only grows; older parts read as null."""

from collections.abc import Iterator
from datetime import UTC, datetime

import msgspec

from probe import __version__
from probe.audit.audit import audit
from probe.audit.document import LinkDocument
from probe.audit.names import identity
from probe.audit.snapshot import Snapshot, judged_links
from probe.documents.captured import captured
from probe.documents.files import decode_document, schema_of, uncompressed
from probe.evidence import Host
from probe.exceptions import DocumentError
from probe.schemas import Schema
from probe.soak.journal import End, Start, entries_of

_REMEDY = "it was set aside; send it again from the host's spool"


class LinkRow(msgspec.Struct, frozen=True, kw_only=True):
    """A link as one snapshot had it. None is not read. `date` (UTC) is that of the file's first snapshot."""

    date: str
    file_id: str
    origin: str
    host: str
    board: str | None
    taken_s: int
    boot_id: str | None
    uptime_s: float | None
    place_id: str
    place: str
    address: str
    component: str | None
    kind: str | None
    identity: str | None
    verdict: str
    standing: str
    alarming: bool
    speed_gts: float | None
    width: int | None
    possible_speed_gts: float | None
    possible_width: int | None
    correctable: int | None
    nonfatal: int | None
    fatal: int | None
    reason: str | None


class _HostOnly(msgspec.Struct):
    host: Host


class _Judged(msgspec.Struct):
    """A snapshot without its evidence, for one that this same version judged."""

    written_by: str
    links: tuple[LinkDocument, ...]
    evidence: _HostOnly


def rows(data: bytes, file_id: str, name: str) -> list[LinkRow]:
    """The rows of a snapshot, or of a soak record's snapshots. Raises DocumentError where it is neither."""
    found = [
        row
        for host, links, origin in _machines(data, name)
        for row in _rows(host, links, file_id=file_id, origin=origin)
    ]
    if not found:
        raise DocumentError("holds no link", where=name, remedy=_REMEDY)
    first = found[0].date
    return [msgspec.structs.replace(row, date=first) for row in found]


def _machines(data: bytes, name: str) -> Iterator[tuple[Host, tuple[LinkDocument, ...], str]]:
    if data.startswith(b'{"type":"start"') and schema_of(data.partition(b"\n")[0], name, _REMEDY) == Schema.JOURNAL:
        kept = (entry.snapshot for entry in entries_of(data, name) if isinstance(entry, Start | End))
        for snapshot in filter(None, kept):
            yield snapshot.evidence.host, judged_links(snapshot), "soak"
        return
    data = uncompressed(data, name, _REMEDY)
    if (tar := captured(data, name)) is not None:
        yield tar.evidence.host, tar.links, "snapshot"
        return
    judged = decode_document(data, name, _Judged, Schema.SNAPSHOT, _REMEDY)
    if judged.written_by == f"linkprobe {__version__}":
        yield judged.evidence.host, judged.links, "snapshot"
        return
    evidence = decode_document(data, name, Snapshot, Schema.SNAPSHOT, _REMEDY).evidence
    yield evidence.host, audit(evidence).links, "snapshot"


def _rows(host: Host, links: tuple[LinkDocument, ...], *, file_id: str, origin: str) -> Iterator[LinkRow]:
    try:
        moment = datetime.fromisoformat(host.taken_at)
    except ValueError as error:
        raise DocumentError(f"has no time ({host.taken_at!r})", where=file_id, remedy=_REMEDY) from error
    moment = moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
    board = " ".join(filter(None, (host.firmware.get(name) for name in ("board_vendor", "board_name")))) or None
    for link in links:
        component = link.component
        address = link.downstream_port or link.upstream_port or ""
        yield LinkRow(
            date=f"{moment:%Y-%m-%d}",
            file_id=file_id,
            origin=origin,
            host=host.name or "unnamed",
            board=board,
            taken_s=int(moment.timestamp()),
            boot_id=host.boot_id,
            uptime_s=host.uptime_s,
            place_id=link.place_id,
            place=(link.slot.title if link.slot else None) or address,
            address=address,
            component=(component.names.device or component.names.kind) if component else None,
            kind=f"{component.vendor_id}:{component.device_id}" if component else None,
            identity=identity(link),
            verdict=link.verdict.value,
            standing=link.kind.value,
            alarming=link.alarming,
            speed_gts=link.negotiated.speed_gts,
            width=link.negotiated.width,
            possible_speed_gts=link.possible.speed_gts,
            possible_width=link.possible.width,
            correctable=link.errors.correctable,
            nonfatal=link.errors.nonfatal,
            fatal=link.errors.fatal,
            reason=link.reasons[0].meaning if link.reasons else None,
        )
