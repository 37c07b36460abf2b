"""linkprobe diff."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from probe.cli.options import JsonOption
from probe.exceptions import InputError, NothingToJudge
from probe.exit_status import ExitStatus

if TYPE_CHECKING:
    from probe.audit.snapshot import Snapshot
    from probe.errors.limits import Limits

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
) -> None:
    """Compare a machine before and after a load, a change or a swap.

    With three snapshots or more it also says whether the trouble follows a card or stays with its slot.
    """
    if len(snapshots) < _TWO:
        raise InputError("one snapshot is nothing to compare", where=snapshots[0], remedy="give BEFORE and AFTER")
    from probe.compare.diff import diff as compare
    from probe.compare.ranking import exit_status
    from probe.compare.sequence import conclusions
    from probe.documents.files import encode, read_snapshot, write_atomically

    read: list[Snapshot] = [read_snapshot(name) for name in snapshots]
    if not any(item.links for item in (read[0], read[-1])):
        remedy = "take them on a machine that has PCI Express links"
        raise NothingToJudge("neither snapshot holds a link", where=f"{snapshots[0]}, {snapshots[-1]}", remedy=remedy)
    document = compare(read[0], read[-1], _limits(correctable, data))
    if junit is not None:
        from probe.render.junit import junit as as_junit

        write_atomically(junit, as_junit(document))
    if json:
        sys.stdout.buffer.write(encode(document))
    elif markdown:
        from probe.render.terminal.comparison import markdown as as_markdown

        typer.echo(as_markdown(document), nl=False)
    else:
        from probe.render.terminal import comparison as draw
        from probe.render.terminal.console import console

        screen = console()
        draw.comparison(document, screen)
        if len(read) > _TWO:
            draw.conclusions(conclusions(read), screen)
    status = exit_status(document)
    if status is not ExitStatus.CLEAN:
        raise typer.Exit(status)


def _limits(correctable: str | None, data: str | None) -> "Limits":
    from probe.errors.limits import Limit, Limits

    default = Limits()
    return Limits(
        default.correctable if correctable is None else Limit.parse(correctable),
        default.data if data is None else Limit.parse(data),
    )
