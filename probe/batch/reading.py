"""A file's bytes made into what it contributes, whichever kind of document it is. Opens nothing."""

from hashlib import sha256

from probe.active.documents import SpeedsDocument, TrainingDocument
from probe.active.margining.document import MarginDocument
from probe.audit.snapshot import Snapshot, judged_links
from probe.batch.contribution import Contribution, Where
from probe.batch.of_qualification import KIND as KIND_QUALIFY
from probe.batch.of_qualification import qualification_tested, qualified
from probe.batch.of_soak import KIND, soak_readings, soak_tested
from probe.batch.of_tests import KINDS, TestDocument, test_readings, test_results
from probe.documents.captured import captured
from probe.documents.files import decode_document, schema_of, uncompressed
from probe.evidence import Host
from probe.exceptions import DocumentError
from probe.qualify.document import QualificationRecord
from probe.qualify.journal_lines import decoded
from probe.schemas import Schema
from probe.soak.journal import End, Start
from probe.soak.reading import entries_of
from probe.soak.record import Record, record

REMEDY = "give snapshots, records of linkprobe soak or qualify, and results of linkprobe train, speeds and margin"
_JOURNAL = b'{"type":"start"'
_TESTS: dict[str, type[TestDocument]] = {
    Schema.TRAINING: TrainingDocument, Schema.SPEEDS: SpeedsDocument, Schema.MARGIN: MarginDocument,
}  # fmt: skip


def contribution_of(data: bytes, name: str) -> Contribution:
    """What a document of any kind says of its machine. Raises DocumentError."""
    digest = sha256(data).hexdigest()
    data = uncompressed(data, name, REMEDY)
    if data.startswith(_JOURNAL):
        return _of_journal(data, name, digest)
    if (tar := captured(data, name)) is not None:
        return _of_snapshot(tar, name, digest)
    match schema_of(data, name, REMEDY):
        case Schema.SNAPSHOT as schema:
            return _of_snapshot(decode_document(data, name, Snapshot, schema, REMEDY), name, digest)
        case Schema.RECORD as schema:
            return _of_record(decode_document(data, name, Record, schema, REMEDY), name, digest)
        case Schema.QUALIFICATION as schema:
            return _of_qualification(decode_document(data, name, QualificationRecord, schema, REMEDY), name, digest)
        case schema if schema in _TESTS:
            return _of_test(decode_document(data, name, _TESTS[schema], schema, REMEDY), name, digest)
        case found:
            kind = f"a {found} document" if found else "no linkprobe document"
            raise DocumentError(f"is {kind}, which a batch has no use for", where=name, remedy=REMEDY)


def _of_snapshot(snapshot: Snapshot, name: str, digest: str) -> Contribution:
    host, links = snapshot.evidence.host, judged_links(snapshot)
    return Contribution(file=name, digest=digest, kind="snapshot", host=host, links=links)


def _of_journal(data: bytes, name: str, digest: str) -> Contribution:
    """A soak's journal: its links as its last snapshot has them, and what its record says of them under load."""
    entries = entries_of(data, name)
    start = entries[0]
    if not isinstance(start, Start):
        raise TypeError("a journal begins with its start")
    ends = [entry.snapshot for entry in entries if isinstance(entry, End) and entry.snapshot is not None]
    last = ends[-1] if ends else start.snapshot
    host, links = last.evidence.host, judged_links(last)
    judged = record(entries)
    return Contribution(
        file=name,
        digest=digest,
        kind=KIND,
        host=host,
        links=links,
        readings=soak_readings(judged),
        tested=soak_tested(judged),
    )


def _of_record(closing: Record, name: str, digest: str) -> Contribution:
    """A closing document, which names its host and holds no snapshot."""
    return Contribution(
        file=name,
        digest=digest,
        kind=KIND,
        host=Host(taken_at=closing.started_at, name=closing.host),
        readings=soak_readings(closing),
        tested=soak_tested(closing),
        titles={Where(link.place_id): link.title for link in closing.links},
    )


def _of_qualification(closed: QualificationRecord, name: str, digest: str) -> Contribution:
    found = qualified(decoded([bytes(line) for line in closed.journal], name))
    snapshot = found.snapshot
    return Contribution(
        file=name,
        digest=digest,
        kind=KIND_QUALIFY,
        host=closed.judged.host if snapshot is None else snapshot.evidence.host,
        links=None if snapshot is None else judged_links(snapshot),
        readings=found.readings,
        tested=qualification_tested(closed.judged),
        titles={Where(link.place_id): link.title for link in closed.judged.links},
    )


def _of_test(document: TestDocument, name: str, digest: str) -> Contribution:
    return Contribution(
        file=name,
        digest=digest,
        kind=KINDS[type(document)],
        host=document.host,
        readings=test_readings(document),
        tested=test_results(document),
        titles={Where(port=link.downstream_port): link.title for link in document.links},
    )
