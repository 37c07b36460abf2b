"""linkprobe ceiling."""

from typing import Annotated

import typer

from probe.bandwidth.arithmetic import arithmetic
from probe.cli.options import JsonOption
from probe.cli.showing import show


def ceiling(
    speed: Annotated[str, typer.Argument(metavar="SPEED", help="GT/s: 2.5, 5, 8, 16, 32, 64 or 128.")],
    width: Annotated[str, typer.Argument(metavar="WIDTH", help="Lanes, as x4.")],
    payload: Annotated[int, typer.Option(metavar="BYTES", help="Max_Payload_Size in force on the path.")] = 256,
    read_request: Annotated[int, typer.Option(metavar="BYTES", help="Max_Read_Request_Size of the component.")] = 512,
    explain: Annotated[bool, typer.Option("--explain", help="Say where each figure comes from.")] = False,
    json: JsonOption = False,
) -> None:
    """Show what a link can carry, one direction, step by step."""
    show(arithmetic(speed, width, payload, read_request), json=json, explain=explain)
