"""linkprobe speeds."""

from typing import Annotated

import typer

from probe.active.orders import speeds_order
from probe.active.preparing import guarded
from probe.cli.carrying_out import carry_out
from probe.cli.options import AcceptOption, GoOption, JsonOption, LinksArgument, ResultSpoolOption, SysfsOption
from probe.host.opening import open_source


def speeds(
    links: LinksArgument = None,
    seconds: Annotated[float, typer.Option(metavar="S", help="How long to stay at each speed.", min=0.0)] = 10.0,
    load: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME[:TARGET]", help="A load of linkprobe's own at each speed; may be given again."),
    ] = None,
    go: GoOption = False,
    accept: AcceptOption = None,
    spool: ResultSpoolOption = None,
    sysfs: SysfsOption = None,
    json: JsonOption = False,
) -> None:
    """Take links through every speed that both ends support: does each train, carry data, stay clean.

    Exit status: 0 all good, 1 one is not, 2 not back or not restored, 3 nothing was measured, 64 refused.
    """
    with guarded(open_source(sysfs), links or [], accept or []) as (tested, guarding):
        carry_out(speeds_order(tested, guarding, seconds, load or []), go=go, json=json, spool=spool)
