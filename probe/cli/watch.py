"""linkprobe watch."""

import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from time import time
from typing import Annotated

import typer

from probe.audit.choosing import chosen
from probe.cli.options import JsonOption, LinkOption, RedactOption, SysfsOption, cleaner
from probe.cli.soak import NOTHING_HELD, snapshot_of
from probe.documents.files import encode_lines
from probe.exceptions import NothingToJudge
from probe.exit_status import ExitStatus
from probe.observe.clock import BootClock
from probe.observe.events import LinkEventKind
from probe.observe.watching import Watch, WatchedEvent
from probe.render.terminal.console import console
from probe.render.terminal.watch import watched


def watch(
    json: JsonOption = False,
    sysfs: SysfsOption = None,
    link: LinkOption = None,
    interval: Annotated[float, typer.Option(metavar="S", help="Seconds between samples.", min=0.05)] = 1.0,
    minutes: Annotated[float | None, typer.Option(metavar="N", help="End by itself after so long.")] = None,
    redact: RedactOption = False,
) -> None:
    """Watch links without a load: their states and counters now, and events as they happen.

    With --json an event a line, for other programs.
    """
    clean = cleaner(redact=redact)
    taken, root, live = snapshot_of(sysfs)
    taken = clean(taken)
    links = chosen(taken.links, link or [])
    if not links:
        if json:
            told = WatchedEvent(time=time(), kind=LinkEventKind.NOT_WATCHED, sentence=NOTHING_HELD)
            _stream([told])
            raise typer.Exit(ExitStatus.NOTHING_JUDGED)
        raise NothingToJudge(NOTHING_HELD, where=taken.evidence.host.source, remedy="nothing to watch")
    clock = BootClock()
    until = None if minutes is None else clock.now() + minutes * 60
    watching = Watch(root, links, taken.evidence, clock, live=live)
    with closing(watching):
        if json:
            _repeat(watching, interval, until, lambda events: _stream(clean(tuple(events))))
            return
        with watched(watching, links, until, console()) as drawn:
            _repeat(watching, interval, until, lambda events: drawn.take(clean(tuple(events))))


def _repeat(
    watching: Watch, interval: float, until: float | None, tell: Callable[[Sequence[WatchedEvent]], None]
) -> None:
    while until is None or watching.clock.now() < until:
        tell(watching.step())
        watching.clock.wait(interval)


def _stream(events: Sequence[WatchedEvent]) -> None:
    sys.stdout.buffer.write(encode_lines(events))
    sys.stdout.buffer.flush()
