"""linkprobe explain."""

from typing import Annotated

import typer

from probe.audit.explanation import explain as explain_link
from probe.audit.outcome import status_of_link
from probe.cli.options import AddressArgument, JsonOption, RedactOption, SysfsOption, WakeOption, evidence_from
from probe.cli.showing import show


def explain(
    address: AddressArgument,
    snapshot: Annotated[
        str | None, typer.Argument(metavar="[SNAPSHOT]", help="Explain from a saved snapshot; - is standard input.")
    ] = None,
    sysfs: SysfsOption = None,
    registers: Annotated[bool, typer.Option(help="Show every register that was read, decoded.")] = False,
    json: JsonOption = False,
    wake: WakeOption = False,
    redact: RedactOption = False,
) -> None:
    """Show one link in full: both ends, the path to the root, every reason, and what to do next."""
    document = explain_link(evidence_from(sysfs, snapshot, wake=wake, redact=redact), address, registers=registers)
    show(document, status=status_of_link(document.link), json=json)
