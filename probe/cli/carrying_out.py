"""How every command that writes to hardware goes on: the plan, and with --go the run and its document."""

import sys
from typing import TYPE_CHECKING, TypeVar

import typer

from probe.exit_status import ExitStatus

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from probe.active.documents import SpeedsDocument, TrainingDocument
    from probe.active.orders import Order

    Document = TypeVar("Document", TrainingDocument, SpeedsDocument)


def carry_out(order: "Order[Document]", draw: "Callable[[Document, Console], None]", *, go: bool, json: bool) -> None:
    """Show the plan, or do it and show what came of it. Ends with the exit status. Raises InputError where refused."""
    from probe.active.documents import exit_status
    from probe.documents.files import encode
    from probe.render.terminal import active
    from probe.render.terminal.console import console

    if not go:
        if json:
            sys.stdout.buffer.write(encode(order.plan))
        else:
            active.plan(order.plan, console())
        if order.plan.refused:
            raise typer.Exit(ExitStatus.USAGE)
        return
    screen = console(to_errors=True)
    active.before(order.plan, screen)
    document = order.carry_out(active.teller(screen))
    if json:
        sys.stdout.buffer.write(encode(document))
    else:
        draw(document, console())
    status = exit_status(document)
    if status is not ExitStatus.CLEAN:
        raise typer.Exit(status)
