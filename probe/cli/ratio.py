"""linkprobe ratio."""

from typing import Annotated

import typer

from probe.cli.options import JsonOption
from probe.cli.showing import show
from probe.errors.ratio import ratio as calculate


def ratio(
    speed: Annotated[str, typer.Argument(metavar="SPEED", help="GT/s, up to 32.")],
    width: Annotated[str, typer.Argument(metavar="WIDTH", help="Lanes, as x4.")],
    errors: Annotated[int | None, typer.Option(metavar="N", help="Errors seen.", min=0)] = None,
    hours: Annotated[float | None, typer.Option(metavar="H", help="Hours the link ran.")] = None,
    confidence: Annotated[float, typer.Option(metavar="C", help="Confidence, between 0 and 1.")] = 0.95,
    target: Annotated[float, typer.Option(metavar="R", help="The ratio to show.")] = 1e-12,
    json: JsonOption = False,
) -> None:
    """Calculate a bit error ratio with exact bounds, and how long a link must run clean to show one."""
    show(calculate(speed, width, errors=errors, hours=hours, confidence=confidence, target=target), json=json)
