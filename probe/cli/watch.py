"""linkprobe watch."""

import sys
from typing import Annotated

import typer

from probe.audit.choosing import chosen
from probe.cli.options import JsonOption, LinkOption, SysfsOption
from probe.cli.soak import snapshot_of
from probe.documents.files import encode
from probe.exceptions import NothingToJudge
from probe.foreign_text import made_plain
from probe.observe.clock import BootClock
from probe.observe.watching import Watch
from probe.render.terminal.console import console
from probe.render.terminal.watch import live_view


def watch(
    json: JsonOption = False,
    sysfs: SysfsOption = None,
    link: LinkOption = None,
    interval: Annotated[float, typer.Option(metavar="S", help="Seconds between samples.", min=0.05)] = 1.0,
    minutes: Annotated[float | None, typer.Option(metavar="N", help="End by itself after so long.")] = None,
) -> None:
    """Watch links without a load: their states and counters now, and events as they happen.

    With --json an event a line, for other programs.
    """
    taken, root, live = snapshot_of(sysfs)
    links = chosen(taken.links, link or [])
    if not links:
        raise NothingToJudge("no link holds anything", where=taken.evidence.host.source, remedy="nothing to watch")
    clock = BootClock()
    watched = Watch(root, links, taken.evidence, clock, live=live)
    until = None if minutes is None else clock.now() + minutes * 60
    try:
        if json:
            _stream(watched, interval, until)
        else:
            live_view(watched, made_plain(links), interval, until, console())
    finally:
        watched.close()


def _stream(watched: Watch, interval: float, until: float | None) -> None:

    while until is None or watched.clock.now() < until:
        for event in watched.step()[1]:
            sys.stdout.buffer.write(encode(event))
            sys.stdout.buffer.flush()
        watched.clock.wait(interval)
