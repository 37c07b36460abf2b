"""linkprobe report."""

from pathlib import Path
from typing import Annotated

import typer

from probe.active.margining.document import MarginDocument
from probe.audit.audit import audit
from probe.audit.document import AuditDocument
from probe.audit.snapshot import Snapshot
from probe.cli.soak import read_record
from probe.compare.changes import Comparison
from probe.documents.captured import captured
from probe.documents.files import decode_document, read_bytes, schema_of, uncompressed
from probe.documents.redaction import identifying, redacted
from probe.documents.writing import write_atomically
from probe.exceptions import DocumentError
from probe.foreign_text import plain
from probe.render.html.page import Page, html
from probe.render.renderers import Medium, renderer
from probe.schemas import Schema
from probe.soak.journal import Start, read_entries

_REMEDY = "give a snapshot, a diff or audit in JSON, or a record of linkprobe soak"


def report(
    document: Annotated[
        str, typer.Argument(metavar="DOCUMENT", help="A record, a snapshot, or a diff or audit in JSON.")
    ],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="PAGE.html", help="The page to write.")],
    redact: RedactOption = False,
) -> None:
    """Write a document as one self-contained page, without scripts, printable to A4."""
    data = read_bytes(document)
    clean = pseudonyms().clean if redact else _as_it_is
    page = _record(Path(document), clean) if data.startswith(b'{"type":"start"') else _saved(data, document, clean)
    write_atomically(output, html(page).encode())
    typer.echo(plain(str(output)), err=True)


def _as_it_is(document: Any) -> Any:  # noqa: ANN401 - of whatever kind
    return document


def _record(path: Path, clean: Callable[[Any], Any]) -> Page:
    entries = clean(read_entries(path))
    document = record(entries, boot_id_now=None)
    return renderer(document, Medium.HTML)(document, entries)


def _saved(data: bytes, name: str, clean: Callable[[Any], Any]) -> Page:
    document: AuditDocument | Comparison | MarginDocument
    if (tar := captured(uncompressed(data, name, _REMEDY), name)) is not None:
        document = audit(clean(tar.evidence))
        return renderer(document, Medium.HTML)(document)
    match schema_of(data, name, _REMEDY):
        case Schema.SNAPSHOT as schema:
            document = audit(clean(decode_document(data, name, Snapshot, schema, _REMEDY).evidence))
        case Schema.AUDIT as schema:
            document = clean(decode_document(data, name, AuditDocument, schema, _REMEDY))
        case Schema.DIFF as schema:
            document = clean(decode_document(data, name, Comparison, schema, _REMEDY))
        case Schema.MARGIN as schema:
            document = clean(decode_document(data, name, MarginDocument, schema, _REMEDY))
        case found:
            raise DocumentError(f"is a {found} document, of which no page is made", where=name, remedy=_REMEDY)
    return renderer(document, Medium.HTML)(document)
