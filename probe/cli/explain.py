"""linkprobe explain."""

import sys
from typing import Annotated

import typer

from probe.address import Address
from probe.cli.options import JsonOption, SysfsOption, WakeOption, evidence_from


def explain(
    address: Annotated[str, typer.Argument(metavar="ADDRESS", help="A port or function, as 0000:3b:00.0.")],
    snapshot: Annotated[
        str | None, typer.Argument(metavar="[SNAPSHOT]", help="Explain from a saved snapshot; - is standard input.")
    ] = None,
    sysfs: SysfsOption = None,
    registers: Annotated[bool, typer.Option(help="Show every register that was read, decoded.")] = False,
    json: JsonOption = False,
    wake: WakeOption = False,
) -> None:
    """Show one link in full: both ends, the path to the root, every reason, and what to do next."""
    place = Address.parse(address)
    from probe.audit.explanation import explain as explain_link

    document = explain_link(evidence_from(sysfs, snapshot, wake=wake), place, registers=registers)
    if json:
        from probe.documents.files import encode

        sys.stdout.buffer.write(encode(document))
        return
    from probe.render.terminal.console import console
    from probe.render.terminal.explanation import explanation

    explanation(document, console())
