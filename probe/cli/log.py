"""linkprobe log."""

import sys
from typing import Annotated

import typer

from probe.cli.options import JsonOption
from probe.documents.files import encode_lines, read_bytes
from probe.errors.log_events import log_events_of_boots
from probe.evidence import LogLine, Unread
from probe.exceptions import InputError
from probe.foreign_text import made_plain
from probe.host.kernel_log import read_kernel_log, saved_boots
from probe.host.opening import open_source
from probe.render.terminal import log as screen
from probe.render.terminal.console import console


def log(
    file: Annotated[
        str | None, typer.Argument(metavar="[FILE]", help="A saved log or journal export; - is standard input.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show what the kernel's log says of PCI Express: errors, containment, hot-plug, links, firmware records."""
    boots = (_this_host(),) if file is None else saved_boots(read_bytes(file).decode("utf-8", "replace"))
    events = log_events_of_boots(boots)
    if json:
        sys.stdout.buffer.write(encode_lines(events))
    else:
        screen.render(made_plain(events), console())


def _this_host() -> tuple[LogLine, ...]:
    lines = read_kernel_log(open_source(None))
    if isinstance(lines, Unread):
        what = f"cannot be read ({lines.why})"
        raise InputError(what, where=lines.path, remedy="run as root, or give a saved log")
    return lines
