"""linkprobe diff."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from probe.active.comparing import ResultDocument, beside, compared
from probe.active.results import result_in
from probe.audit.snapshot import Snapshot
from probe.cli.options import DifferentMachinesOption, JsonOption, RedactOption, cleaner
from probe.cli.showing import show
from probe.compare.changes import Comparison, exit_status
from probe.compare.diff import compare
from probe.compare.host import one_machine
from probe.documents.files import is_result, read_bytes, snapshot_in
from probe.documents.writing import write_atomically
from probe.errors.limits import Limit, Limits
from probe.exceptions import InputError, NothingToJudge
from probe.exit_status import ExitStatus
from probe.render.renderers import Medium, renderer

_TWO = 2


def diff(
    documents: Annotated[
        list[str], typer.Argument(metavar="BEFORE AFTER", help="Snapshots in time order, or two results of a test.")
    ],
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

    With three snapshots or more it also says whether the trouble follows a card or stays with its slot. Results of
    train, speeds and margin among them are told beside; two results of one test alone are compared themselves.
    """
    if len(documents) < _TWO:
        raise InputError("one snapshot is nothing to compare", where=documents[0], remedy="give BEFORE and AFTER")
    limits = _limits(correctable, data)
    clean = cleaner(redact=redact)
    given = [clean(_read(name)) for name in documents]
    snapshots = [item for item in given if isinstance(item, Snapshot)]
    results = [item for item in given if not isinstance(item, Snapshot)]
    if not different_machines:
        one_machine([item.evidence.host if isinstance(item, Snapshot) else item.host for item in given], documents)
    nothing = bool(snapshots) and not any(item.links for item in (snapshots[0], snapshots[-1]))
    if nothing and not (json or markdown):
        what, remedy = "neither snapshot holds a link", "take them on a machine that has PCI Express links"
        raise NothingToJudge(what, where=", ".join(documents), remedy=remedy)
    document = _snapshots(snapshots, documents, limits) if snapshots else _results(results, documents)
    if snapshots and results:
        document = beside(document, results)
    if junit is not None:
        write_atomically(junit, renderer(document, Medium.JUNIT)(document))
    status = exit_status(document) or (ExitStatus.NOTHING_JUDGED if nothing else ExitStatus.CLEAN)
    show(document, status=status, json=json, markdown=markdown)


def _read(name: str) -> Snapshot | ResultDocument:
    """The snapshot or the result of a test that a file holds. Raises InputError, DocumentError."""
    data = read_bytes(name)
    if not is_result(data, name):
        return snapshot_in(data, name)
    return result_in(data, name)


def _snapshots(read: Sequence[Snapshot], names: Sequence[str], limits: Limits) -> Comparison:
    where = ", ".join(names)
    if len(read) < _TWO:
        what = "hold one snapshot, which is nothing to compare"
        raise InputError(what, where=where, remedy="give BEFORE and AFTER, or two results")
    return compare(read, limits)


def _results(results: Sequence[ResultDocument], names: Sequence[str]) -> Comparison:
    if len(results) != _TWO or results[0].schema != results[1].schema:
        what = "are results, of which two of the same test can be compared"
        raise InputError(what, where=", ".join(names), remedy="give two of one test, or snapshots beside")
    return compared(*results)


def _limits(correctable: str | None, data: str | None) -> Limits:
    default = Limits()
    return Limits(
        default.correctable if correctable is None else Limit.parse(correctable),
        default.data if data is None else Limit.parse(data),
    )
