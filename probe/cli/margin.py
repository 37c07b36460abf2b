"""linkprobe margin."""

from typing import Annotated

import typer

from probe.active.margining.document import MarginDocument
from probe.active.margining.order import margin_order
from probe.active.preparing import guarded
from probe.cli.carrying_out import carry_out
from probe.cli.options import AcceptOption, GoOption, JsonOption, LinksArgument, ResultSpoolOption, SysfsOption
from probe.documents.files import decode_document, read_bytes
from probe.host.opening import open_source
from probe.schemas import Schema


def margin(  # one option a setting of the test
    links: LinksArgument = None,
    end: Annotated[str, typer.Option(metavar="END", help="Receivers of: port, component, retimer or both.")] = "both",
    seconds: Annotated[float, typer.Option(metavar="S", help="How long to stay at each step.", min=0.01)] = 1.0,
    error_limit: Annotated[int, typer.Option(metavar="N", help="Errors that end a step, 0 to 63.", min=0, max=63)] = 4,
    lanes: Annotated[str | None, typer.Option(metavar="0-3", help="Only these lanes, as 0-3 or 0,5.")] = None,
    at_least_ui: Annotated[
        float | None, typer.Option(metavar="UI", help="Hold every lane to this margin in time, unit intervals.", min=0)
    ] = None,
    at_least_volts: Annotated[
        float | None, typer.Option(metavar="V", help="Hold every lane to this margin in voltage, volts.", min=0)
    ] = None,
    against: Annotated[
        list[str] | None,
        typer.Option(metavar="FILE", help="An earlier result of margin to hold it against; may be given again."),
    ] = None,
    go: GoOption = False,
    accept: AcceptOption = None,
    spool: ResultSpoolOption = None,
    sysfs: SysfsOption = None,
    json: JsonOption = False,
) -> None:
    """Measure how open the eye of every lane is, by the receivers' own lane margining.

    At 16 and 32 GT/s.

    Exit status: 0 good, 1 short or odd, 2 not back or not restored, 3 nothing was measured, 64 refused.
    """
    earlier = [_earlier(name) for name in against or ()]
    with guarded(open_source(sysfs), links or [], accept or []) as (tested, guarding):
        order = margin_order(
            tested, guarding, accept or [], end=end, seconds=seconds, error_limit=error_limit, lanes=lanes,
            at_least_ui=at_least_ui, at_least_volts=at_least_volts, earlier=earlier,
        )  # fmt: skip
        carry_out(order, go=go, json=json, spool=spool)


def _earlier(name: str) -> MarginDocument:
    """An earlier result of the same test. Raises InputError, DocumentError."""
    return decode_document(read_bytes(name), name, MarginDocument, Schema.MARGIN, "give what margin --json printed")
