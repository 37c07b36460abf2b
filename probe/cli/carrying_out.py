"""How every command that writes to hardware goes on: the plan, and with --go the run and its document."""

from pathlib import Path

import msgspec
from rich.console import Console
from rich.text import Text

from probe.active.comparing import ResultDocument
from probe.active.documents import SpeedsDocument, TrainingDocument, exit_status
from probe.active.margining.document import MarginDocument
from probe.active.orders import Order
from probe.cli.showing import show
from probe.collect.settings import read_settings
from probe.collect.spool import Spool
from probe.exceptions import LinkprobeError
from probe.exit_status import ExitStatus
from probe.foreign_text import plain
from probe.render.terminal.active import before
from probe.render.terminal.active_progress import Telling
from probe.render.terminal.console import console


def carry_out(
    order: Order[TrainingDocument] | Order[SpeedsDocument] | Order[MarginDocument],
    *,
    go: bool,
    json: bool,
    spool: str | None,
) -> None:
    """Show the plan, or do it, keep what came of it and show it. Raises InputError where it is refused."""
    if not go:
        show(order.plan, status=ExitStatus.USAGE if order.plan.refused else ExitStatus.CLEAN, json=json)
        return
    order.check()  # a refusal is one sentence, and needs no cautions
    screen = console(to_errors=True)
    before(order.plan, screen)
    with Telling(screen, max((link.times for link in order.plan.links), default=0)) as telling:
        document = order.run(telling)
    _keep(document, spool, screen, live=order.live)
    show(document, status=exit_status(document), json=json)


def _keep(document: ResultDocument, spool: str | None, screen: Console, *, live: bool) -> None:
    """In the spool that was named; of the live host in the one that is set, if it collects. A failure is told alone."""
    try:
        settings = read_settings(None)
        if spool is not None:
            settings = msgspec.structs.replace(settings, spool=spool)
        elif not live or not Path(settings.spool).is_dir():
            return
        Spool(settings).keep_result(document)
    except LinkprobeError as error:
        screen.print(Text(plain(f"the result was not kept for monitoring: {error}")), soft_wrap=True)
