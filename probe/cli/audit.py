"""linkprobe audit."""

from typing import Annotated

import typer
from msgspec.structs import replace

from probe.audit.audit import audit as judge_all
from probe.audit.document import AuditDocument
from probe.audit.outcome import exit_status
from probe.cli.options import (
    CsvOption,
    JsonOption,
    RedactOption,
    SnapshotArgument,
    SysfsOption,
    WakeOption,
    evidence_from,
)
from probe.cli.showing import show
from probe.compare.expectation_file import EXPECTATIONS_BYTES, parse
from probe.compare.expectations import deviations, not_covered
from probe.documents.files import read_bytes
from probe.evidence import unlisted
from probe.exceptions import InputError, NothingToJudge
from probe.verdict.verdicts import Verdict


def audit(
    snapshot: SnapshotArgument = None,
    json: JsonOption = False,
    csv: CsvOption = False,
    sysfs: SysfsOption = None,
    only: Annotated[
        str | None, typer.Option(metavar="WORDS", help="Show only these verdicts, separated by commas.")
    ] = None,
    strict: Annotated[bool, typer.Option(help="Count limited, resting and unjudged links as findings too.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="One line a finding, nothing else: for cron.")] = False,
    expect: Annotated[
        str | None, typer.Option(metavar="FILE", help="Hold the machine to this file of expectations too.")
    ] = None,
    wake: WakeOption = False,
    redact: RedactOption = False,
) -> None:
    """Judge every PCI Express link of a machine.

    Exit status: 0 nothing to report, 1 something found, 2 found and urgent, 3 nothing could be judged, 64 wrong use.
    """
    words = _words(only)
    document = judge_all(evidence_from(sysfs, snapshot, wake=wake, redact=redact))
    if expect is not None:
        document = held_to(expect, document)
    show_audit(document, json=json, csv=csv, only=words, strict=strict, quiet=quiet)


def show_audit(
    document: AuditDocument,
    *,
    json: bool = False,
    csv: bool = False,
    only: frozenset[Verdict] | None = None,
    strict: bool = False,
    quiet: bool = False,
) -> None:
    """Show an audit and end with its status. Raises NothingToJudge where a screen would stay empty."""
    if not (document.links or document.deviations or json or csv):
        raise no_link(document)
    show(
        document, status=exit_status(document, strict=strict), json=json, csv=csv, only=only, quiet=quiet, strict=strict
    )


def no_link(document: AuditDocument) -> NothingToJudge:
    """Why no link is there to judge, as a person reads it."""
    unread, where = unlisted(document.unread), document.host.source
    if unread is not None:
        what = f"no PCI functions are listed ({unread.detail or unread.why})"
        return NothingToJudge(what, where=where, remedy="check that this is the /sys of a machine with PCI")
    what = "no PCI Express link is there to judge"
    return NothingToJudge(what, where=where, remedy="conventional and integrated PCI functions have none")


def held_to(file: str, document: AuditDocument) -> AuditDocument:
    """The audit with its deviations from a file of expectations."""
    expectations = parse(read_bytes(file, EXPECTATIONS_BYTES), file)
    return replace(
        document,
        deviations=deviations(expectations, document),
        observations=(*document.observations, *not_covered(expectations, document.links)),
    )


def _words(only: str | None) -> frozenset[Verdict] | None:
    if only is None:
        return None
    try:
        return frozenset(Verdict(text.strip()) for text in only.split(","))
    except ValueError as error:
        known = ", ".join(Verdict)
        raise InputError("not a verdict", where=f"--only {only}", remedy=f"choose among {known}") from error
