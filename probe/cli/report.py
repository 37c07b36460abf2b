"""linkprobe report."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
import typer

from probe.active.results import result_in
from probe.audit.audit import audit
from probe.audit.document import AuditDocument
from probe.audit.snapshot import Snapshot
from probe.batch.document import Batch
from probe.cli.options import RedactOption, TemplateOption, cleaner, template_from
from probe.cli.soak import read_record
from probe.compare.changes import Comparison
from probe.documents.captured import captured, is_tar
from probe.documents.files import decode_document, read_bytes, schema_of, uncompressed
from probe.documents.record_file import RecordFile
from probe.documents.writing import write_atomically
from probe.exceptions import DocumentError, InputError
from probe.foreign_text import plain
from probe.host.bounded import read_host_bounded
from probe.host.opening import open_source
from probe.qualify.document import QualificationRecord, summary_of
from probe.qualify.journal_lines import decoded
from probe.render.forms import OwnTemplate, drawn_as, soak_drawn_as
from probe.render.html.page import Page, html
from probe.render.renderers import Medium, renderer
from probe.schemas import RESULTS, Schema
from probe.soak.reading import Recorded
from probe.soak.record import record

if TYPE_CHECKING:
    from probe.active.comparing import ResultDocument

_REMEDY = "give a snapshot, a diff, audit, batch or result of a test in JSON, or a record of linkprobe soak or qualify"


def report(
    document: Annotated[
        str, typer.Argument(metavar="DOCUMENT", help="A record, a snapshot, or a diff or audit in JSON.")
    ],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="PAGE.html", help="The page to write.")],
    redact: RedactOption = False,
    template: TemplateOption = None,
) -> None:
    """Write a document as one self-contained page, without scripts, printable to A4.

    A record also as JUnit XML or as a table, where the name ends in .xml or .csv; of a soak all samples, where it ends
    in .samples.csv.
    """
    data = read_bytes(document)
    own = template_from(template)
    if data.startswith(b'{"type":"start"'):
        drawn = _soaked(Path(document), output, redact=redact)
    elif _is_qualification(data, document):
        drawn = _qualified(data, document, output, own, redact=redact)
        own = None
    else:
        drawn = html(_saved(data, document, cleaner(redact=redact))).encode()
    if own is not None:
        raise InputError("is for a record of qualify", where=f"--template {template}", remedy="leave it out")
    write_atomically(output, drawn)
    typer.echo(plain(str(output)), err=True)


def _is_qualification(data: bytes, name: str) -> bool:
    is_a_tar = is_tar(uncompressed(data, name, _REMEDY))
    return not is_a_tar and schema_of(data, name, _REMEDY) == Schema.QUALIFICATION


def _soaked(path: Path, output: Path, *, redact: bool) -> bytes:
    recorded, source = Recorded.at(path), RecordFile.at(path)
    if not redact:
        return soak_drawn_as(output, read_record(path), recorded, source)
    clean = cleaner(redact=True)
    entries = list(map(clean, recorded))
    document = record(entries, here=clean(read_host_bounded(open_source(None))))
    return soak_drawn_as(output, document, entries, clean(source))


def _qualified(data: bytes, name: str, output: Path, template: OwnTemplate | None, *, redact: bool) -> bytes:
    whole = decode_document(data, name, QualificationRecord, Schema.QUALIFICATION, _REMEDY)
    summary = summary_of(whole)
    of_customers = (*summary.judged.fields.values(), *summary.judged.asked.values())
    clean = cleaner(redact=redact, secrets=of_customers)
    summary = clean(summary)
    entries = tuple(map(clean, decoded(tuple(bytes(line) for line in whole.journal), name)))
    return drawn_as(output, summary, entries, template)


def _saved(data: bytes, name: str, clean: Callable[[Any], Any]) -> Page:
    document: AuditDocument | Comparison | ResultDocument | Batch
    if (tar := captured(uncompressed(data, name, _REMEDY), name)) is not None:
        return _page(audit(clean(tar.evidence)))
    match schema_of(data, name, _REMEDY):
        case Schema.SNAPSHOT as schema:
            document = audit(clean(decode_document(data, name, Snapshot, schema, _REMEDY).evidence))
        case Schema.AUDIT as schema:
            document = clean(decode_document(data, name, AuditDocument, schema, _REMEDY))
        case Schema.DIFF as schema:
            document = clean(decode_document(data, name, Comparison, schema, _REMEDY))
        case schema if schema in RESULTS:
            document = clean(result_in(data, name))
        case Schema.BATCH as schema:
            document = clean(decode_document(data, name, Batch, schema, _REMEDY))
        case found:
            raise DocumentError(f"is a {found} document, of which no page is made", where=name, remedy=_REMEDY)
    return _page(document)


def _page(document: msgspec.Struct) -> Page:
    page: Page = renderer(document, Medium.HTML)(document)
    return page
