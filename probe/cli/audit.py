"""linkprobe audit."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from probe.cli.options import JsonOption, SnapshotArgument, SysfsOption, WakeOption, evidence_from
from probe.exceptions import InputError, NothingToJudge
from probe.exit_status import ExitStatus

if TYPE_CHECKING:
    from probe.audit.document import AuditDocument
    from probe.verdict.words import Verdict


def audit(
    snapshot: SnapshotArgument = None,
    json: JsonOption = False,
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
) -> None:
    """Judge every PCI Express link of a machine.

    Exit status: 0 nothing to report, 1 something found, 2 found and urgent, 3 nothing could be judged, 64 wrong use.
    """
    evidence = evidence_from(sysfs, snapshot, wake=wake)
    from probe.audit.audit import audit as judge_all

    document = judge_all(evidence)
    if expect is not None:
        from probe.cli.expect import held_to

        document = held_to(expect, document)
    show(document, json=json, only=only, strict=strict, quiet=quiet)


def show(
    document: "AuditDocument", *, json: bool = False, only: str | None = None, strict: bool = False, quiet: bool = False
) -> None:
    """Print an audit and end with its exit status."""
    from probe.audit.outcome import exit_status

    words = _words(only)
    if not document.links:
        listed = "no PCI Express link is there to judge"
        raise NothingToJudge(listed, where=document.host.source, remedy="conventional PCI functions have none")
    if json:
        from probe.documents.files import encode

        sys.stdout.buffer.write(encode(document))
    else:
        from probe.render.terminal import audit
        from probe.render.terminal.console import console

        if quiet:
            audit.findings_only(document, console())
        else:
            audit.audit(document, console(), words)
    status = exit_status(document, strict=strict)
    if status is not ExitStatus.CLEAN:
        raise typer.Exit(status)


def _words(only: str | None) -> "frozenset[Verdict] | None":
    if only is None:
        return None
    from probe.verdict.words import Verdict

    try:
        return frozenset(Verdict(text.strip()) for text in only.split(","))
    except ValueError as error:
        known = ", ".join(Verdict)
        raise InputError("not a verdict", where=f"--only {only}", remedy=f"choose among {known}") from error
