"""linkprobe train."""

from typing import Annotated

import typer

from probe.active.orders import training_order
from probe.active.preparing import guarded
from probe.cli.carrying_out import carry_out
from probe.cli.options import AcceptOption, GoOption, JsonOption, LinksArgument, ResultSpoolOption, SysfsOption
from probe.host.opening import open_source


def train(
    links: LinksArgument = None,
    way: Annotated[
        str, typer.Option(metavar="WAY", help="How: retrain, bus-reset, slot-power or function-reset.")
    ] = "retrain",
    times: Annotated[int, typer.Option(metavar="N", help="How many trainings.", min=1, max=100_000)] = 20,
    go: GoOption = False,
    accept: AcceptOption = None,
    spool: ResultSpoolOption = None,
    sysfs: SysfsOption = None,
    json: JsonOption = False,
) -> None:
    """Train links again and again, and count how often they come up short.

    Exit status: 0 none short, 1 some short, 2 not back or not restored, 3 nothing was measured, 64 refused.
    """
    with guarded(open_source(sysfs), links or [], accept or []) as (tested, guarding):
        carry_out(training_order(tested, guarding, way, times), go=go, json=json, spool=spool)
