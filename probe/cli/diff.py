"""linkprobe diff."""

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import DifferentMachinesOption, JsonOption, RedactOption, snapshots_from
from probe.cli.showing import show
from probe.compare.changes import exit_status
from probe.compare.diff import compare
from probe.compare.host import one_machine
from probe.documents.writing import write_atomically
from probe.errors.limits import Limit, Limits
from probe.exceptions import InputError, NothingToJudge
from probe.render.renderers import Medium, renderer

_TWO = 2


def diff(
    snapshots: Annotated[list[str], typer.Argument(metavar="BEFORE AFTER", help="Snapshots in time order.")],
    json: JsonOption = False,
    markdown: Annotated[bool, typer.Option("--markdown", help="Print Markdown, for a ticket.")] = False,
    junit: Annotated[Path | None, typer.Option(metavar="FILE", help="Write JUnit XML too, for a CI system.")] = None,
    correctable: Annotated[
        str | None, typer.Option(metavar="N/Hh", help="Limit of correctable link errors, as 6/2h.")
    ] = None,
    data: Annotated[
        str | None, typer.Option(metavar="N/Hh", help="Limit of poisoned and check sum errors, as 3/168h.")
    ] = None,
    different_machines: DifferentMachinesOption = False,
    redact: RedactOption = False,
) -> None:
    """Compare a machine before and after a load, a change or a swap.

    With three snapshots or more it also says whether the trouble follows a card or stays with its slot.
    """
    if len(snapshots) < _TWO:
        raise InputError("one snapshot is nothing to compare", where=snapshots[0], remedy="give BEFORE and AFTER")
    limits = _limits(correctable, data)
    read = snapshots_from(snapshots, redact=redact)
    if not different_machines:
        one_machine([item.evidence.host for item in read], snapshots)
    if not any(item.links for item in (read[0], read[-1])):
        remedy = "take them on a machine that has PCI Express links"
        raise NothingToJudge("neither snapshot holds a link", where=f"{snapshots[0]}, {snapshots[-1]}", remedy=remedy)
    document = compare(read, limits)
    if junit is not None:
        write_atomically(junit, renderer(document, Medium.JUNIT)(document))
    show(document, status=exit_status(document), json=json, markdown=markdown)


def _limits(correctable: str | None, data: str | None) -> Limits:
    default = Limits()
    return Limits(
        default.correctable if correctable is None else Limit.parse(correctable),
        default.data if data is None else Limit.parse(data),
    )
