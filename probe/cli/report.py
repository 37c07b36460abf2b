"""linkprobe report."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from probe.active.results import result_in
from probe.audit.audit import audit
from probe.audit.document import AuditDocument
from probe.audit.snapshot import Snapshot
from probe.batch.document import Batch
from probe.cli.options import TemplateOption, template_from
from probe.cli.soak import read_record
from probe.compare.changes import Comparison
from probe.documents.captured import captured, is_tar
from probe.documents.files import decode_document, read_bytes, schema_of, uncompressed
from probe.documents.record_file import RecordFile
from probe.documents.redaction import identifying, redacted
from probe.documents.writing import write_atomically
from probe.exceptions import DocumentError, InputError
from probe.foreign_text import plain
from probe.qualify.document import QualificationRecord, summary_of
from probe.qualify.journal_lines import decoded
from probe.render.forms import OwnTemplate, drawn_as, page_of, soak_drawn_as, soak_page_of
from probe.render.html.page import Page, html
from probe.render.renderers import Medium, renderer
from probe.schemas import RESULTS, Schema
from probe.soak.reading import Recorded

if TYPE_CHECKING:
    from probe.active.comparing import ResultDocument

_REMEDY = "give a snapshot, a diff, audit, batch or result of a test in JSON, or a record of linkprobe soak or qualify"


def report(
    document: Annotated[
        str, typer.Argument(metavar="DOCUMENT", help="A record, a snapshot, or a diff or audit in JSON.")
    ],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="PAGE.html", help="The page to write.")],
    redact: Annotated[bool, typer.Option("--redact", help="Leave out what identifies the machine.")] = False,
    template: TemplateOption = None,
) -> None:
    """Write a document as one self-contained page, without scripts, printable to A4.

    A record also as JUnit XML or as a table, where the name ends in .xml or .csv; of a soak all samples, where it ends
    in .samples.csv.
    """
    data = read_bytes(document)
    if _is_qualification(data, document):
        _qualified(data, document, output, template_from(template), redact=redact)
        return
    if template is not None:
        raise InputError("is for a record of qualify", where=f"--template {template}", remedy="leave it out")
    if data.startswith(b'{"type":"start"'):
        _soaked(Path(document), output, redact=redact)
    else:
        _written(*_saved(data, document), output, redact=redact)


def _written(page: Page, secrets: list[str], output: Path, *, redact: bool) -> None:
    if redact:
        page = redacted(page, [*secrets, *map(plain, secrets)])  # a page has texts made plain
    write_atomically(output, html(page).encode())
    typer.echo(plain(str(output)), err=True)


def _is_qualification(data: bytes, name: str) -> bool:
    if data.startswith(b'{"type":"start"') or is_tar(uncompressed(data, name, _REMEDY)):
        return False
    return schema_of(data, name, _REMEDY) == Schema.QUALIFICATION


def _soaked(path: Path, output: Path, *, redact: bool) -> None:
    entries, document, source = Recorded.at(path), read_record(path), RecordFile.at(path)
    if not redact:
        write_atomically(output, soak_drawn_as(output, document, entries, source))
        typer.echo(plain(str(output)), err=True)
        return
    _refuse_tables(output)
    secrets = identifying(entries.start.snapshot.evidence.host)
    _written(soak_page_of(document, entries, source), secrets, output, redact=True)


def _refuse_tables(output: Path) -> None:
    if output.suffix in {".csv", ".xml"}:
        raise InputError("is for our own page", where="--redact", remedy="leave one of the two out")


def _qualified(data: bytes, name: str, output: Path, template: OwnTemplate | None, *, redact: bool) -> None:
    record = decode_document(data, name, QualificationRecord, Schema.QUALIFICATION, _REMEDY)
    entries = decoded(tuple(bytes(line) for line in record.journal), name)
    summary = summary_of(record)
    if not redact:
        write_atomically(output, drawn_as(output, summary, entries, template))
        typer.echo(plain(str(output)), err=True)
    elif template is not None:
        raise InputError("is for our own page", where="--redact", remedy="leave one of the two out")
    else:
        _refuse_tables(output)
        secrets = [*identifying(summary.judged.host), *summary.judged.fields.values(), *summary.judged.asked.values()]
        _written(page_of(summary, entries), secrets, output, redact=True)


def _saved(data: bytes, name: str) -> tuple[Page, list[str]]:
    document: AuditDocument | Comparison | ResultDocument | Batch
    if (tar := captured(uncompressed(data, name, _REMEDY), name)) is not None:
        document = audit(tar.evidence)
        return renderer(document, Medium.HTML)(document), identifying(tar.evidence.host)
    match schema_of(data, name, _REMEDY):
        case Schema.SNAPSHOT as schema:
            evidence = decode_document(data, name, Snapshot, schema, _REMEDY).evidence
            document, secrets = audit(evidence), identifying(evidence.host)
        case Schema.AUDIT as schema:
            document = decode_document(data, name, AuditDocument, schema, _REMEDY)
            secrets = identifying(document.host)
        case Schema.DIFF as schema:
            document = decode_document(data, name, Comparison, schema, _REMEDY)
            secrets = [document.host] if document.host else []
        case schema if schema in RESULTS:
            document = result_in(data, name)
            secrets = identifying(document.host)
        case Schema.BATCH as schema:
            document = decode_document(data, name, Batch, schema, _REMEDY)
            secrets = [text for machine in document.machines for text in (machine.name, *identifying(machine.host))]
        case found:
            raise DocumentError(f"is a {found} document, of which no page is made", where=name, remedy=_REMEDY)
    return renderer(document, Medium.HTML)(document), secrets
