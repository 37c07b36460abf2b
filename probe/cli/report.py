"""linkprobe report."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from probe.exceptions import DocumentError

if TYPE_CHECKING:
    from probe.render.html.page import Page

_REMEDY = "give a snapshot, a diff or audit in JSON, or a record of linkprobe soak"


def report(
    document: Annotated[
        str, typer.Argument(metavar="DOCUMENT", help="A record, a snapshot, or a diff or audit in JSON.")
    ],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="PAGE.html", help="The page to write.")],
    redact: Annotated[bool, typer.Option("--redact", help="Leave out what identifies the machine.")] = False,
) -> None:
    """Write a document as one self-contained page, without scripts, printable to A4."""
    from probe.documents.files import read_bytes, write_atomically
    from probe.documents.redaction import redacted
    from probe.render.html.page import html

    data = read_bytes(document)
    page, secrets = _record(Path(document)) if data.startswith(b'{"type":"start"') else _saved(data, document)
    if redact:
        page = redacted(page, secrets)
    write_atomically(output, html(page).encode())
    typer.echo(f"{output}", err=True)


def _record(path: Path) -> "tuple[Page, list[str]]":
    from probe.cli.soak import read_record
    from probe.documents.redaction import identifying
    from probe.render.html.page import record_page
    from probe.soak.journal import Start, read_entries

    entries = read_entries(path)
    start = entries[0]
    secrets = identifying(start.snapshot.evidence) if isinstance(start, Start) else []
    return record_page(read_record(path), entries), secrets


def _saved(data: bytes, name: str) -> "tuple[Page, list[str]]":
    from probe.audit.audit import audit
    from probe.audit.document import AuditDocument
    from probe.audit.snapshot import Snapshot
    from probe.compare.changes import Comparison
    from probe.documents.files import decode_document, schema_of
    from probe.documents.redaction import identifying
    from probe.render.html.page import audit_page, comparison_page

    match schema_of(data, name, _REMEDY):
        case "linkprobe/snapshot/1" as schema:
            evidence = decode_document(data, name, Snapshot, schema, _REMEDY).evidence
            return audit_page(audit(evidence)), identifying(evidence)
        case "linkprobe/audit/1" as schema:
            judged = decode_document(data, name, AuditDocument, schema, _REMEDY)
            return audit_page(judged), [text for text in (judged.host.name, judged.host.boot_id) if text]
        case "linkprobe/diff/1" as schema:
            compared = decode_document(data, name, Comparison, schema, _REMEDY)
            return comparison_page(compared), [compared.host] if compared.host else []
        case found:
            raise DocumentError(f"is a {found} document, of which no page is made", where=name, remedy=_REMEDY)
