"""linkprobe qualify."""

import sys
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import (
    AcceptOption,
    GoOption,
    JsonOption,
    SysfsOption,
    TemplateOption,
    template_from,
)
from probe.cli.showing import show
from probe.documents.files import encode
from probe.documents.writing import write_atomically
from probe.exceptions import InputError
from probe.exit_status import ExitStatus
from probe.qualify.beginning import PlanFile, begun, close, fields_of, gone_on_with
from probe.qualify.carrying_out import Qualification
from probe.qualify.checking import Checking
from probe.qualify.document import exit_status, summary_of
from probe.qualify.journal import Journal
from probe.qualify.plan_for import plan_for
from probe.qualify.preview import Preview
from probe.qualify.sealing import sealed
from probe.qualify.site import Site
from probe.qualify.unit import Unit
from probe.render.forms import check_form, drawn_as
from probe.render.terminal.console import console
from probe.render.terminal.qualifying import Shown


def qualify(
    plan: Annotated[Path | None, typer.Argument(metavar="PLAN.toml", help="The plan to carry out.")] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="RECORD", help="The record to write, as NAME.json.")
    ] = None,
    write_plan: Annotated[
        bool, typer.Option("--write-plan", help="Print a plan made for this machine, to edit; -o FILE writes it.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check it, and show what would be done and how long it takes.")
    ] = False,
    go: GoOption = False,
    accept: AcceptOption = None,
    field: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=VALUE", help="Who and what, as operator=...; may be given again."),
    ] = None,
    close_it: Annotated[
        bool, typer.Option("--close", help="End a run that will not go on, and write its record.")
    ] = False,
    also: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="Write it there too, as its name ends: .html, .xml (JUnit), .csv."),
    ] = None,
    template: TemplateOption = None,
    sysfs: SysfsOption = None,
    json: JsonOption = False,
) -> None:
    """Carry out a plan of tests, step after step, and write the record of it.

    The same command again goes on where a run was cut off.

    Exit status: 0 passed, 1 failed, 2 failed and urgent, 3 inconclusive or not at its end, 64 refused.
    """
    if write_plan:
        _write_plan(plan, output, sysfs)
        return
    if plan is None:
        raise InputError(
            "no plan is named", where="PLAN.toml", remedy="name one; qualify --write-plan -o FILE makes one"
        )
    own = template_from(template)
    for path in also or ():
        check_form(path)
    site = Site(
        sysfs=sysfs, folder=plan.resolve().parent, record=output or Path(f"{plan.stem}.record.json"), go=go,
        accepted=tuple(accept or ()),
    )  # fmt: skip
    file, fields = PlanFile(plan), fields_of(field or [])
    goes_on = site.journal.exists() and not dry_run
    if not goes_on:
        preview = _checked(file, site, fields)
        if dry_run or preview.faults or (preview.writes and not go):
            show(preview, status=ExitStatus.CLEAN if dry_run and not preview.faults else ExitStatus.USAGE, json=json)
            return
    with closing(gone_on_with(file, site, fields) if goes_on else begun(file, site, fields)) as journal:
        over = _carried_out(file, site, journal, close_it=close_it)
        document = sealed(journal.lines(), str(site.journal))
        entries = tuple(journal.entries)
    if over:
        write_atomically(site.record, encode(document))
        for path in also or ():
            write_atomically(path, drawn_as(path, summary_of(document), entries, own))
        Unit(site).disable()
    status = exit_status(document.judged) if over else ExitStatus.NOTHING_JUDGED
    shown = document if json else summary_of(document)
    show(shown, status=status, json=json, written=str(site.record) if over else None)


def _write_plan(plan: Path | None, output: Path | None, sysfs: Path | None) -> None:
    if plan is not None:
        raise InputError("is given together with --write-plan", where=str(plan), remedy="name the new file with -o")
    text = plan_for(Site(sysfs=sysfs, folder=Path(), record=Path()))
    if output is None:
        sys.stdout.write(text)
    else:
        write_atomically(output, text.encode())


def _checked(file: PlanFile, site: Site, fields: dict[str, str]) -> Preview:
    if file.reading.plan is None:
        return Preview(plan=str(file.path), faults=file.reading.faults)
    return Checking(file.plan, site, file.lines, fields).preview(str(file.path))


def _carried_out(file: PlanFile, site: Site, journal: Journal, *, close_it: bool) -> bool:
    if close_it:
        close(journal)
        return True
    shown = Shown(console(to_errors=True))
    return Qualification(file.plan, site, journal, shown).run()
