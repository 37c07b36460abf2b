"""How every command that writes to hardware goes on: the plan, and with --go the run and its document."""

from probe.active.documents import SpeedsDocument, TrainingDocument, exit_status
from probe.active.margining.document import MarginDocument
from probe.active.orders import Order
from probe.cli.showing import show
from probe.exit_status import ExitStatus
from probe.render.terminal.active import before, teller
from probe.render.terminal.console import console


def carry_out(
    order: Order[TrainingDocument] | Order[SpeedsDocument] | Order[MarginDocument], *, go: bool, json: bool
) -> None:
    """Show the plan, or do it and show what came of it. Raises InputError where it is refused."""
    if not go:
        show(order.plan, status=ExitStatus.USAGE if order.plan.refused else ExitStatus.CLEAN, json=json)
        return
    screen = console(to_errors=True)
    before(order.plan, screen)
    document = order.carry_out(teller(screen))
    show(document, status=exit_status(document), json=json)
