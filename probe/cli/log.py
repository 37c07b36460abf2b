"""linkprobe log."""

import sys
from typing import Annotated

import typer

from probe.cli.options import JsonOption
from probe.exceptions import InputError


def log(
    file: Annotated[
        str | None, typer.Argument(metavar="[FILE]", help="A saved log or journal export; - is standard input.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show what the kernel's log says of PCI Express: errors, containment, hot-plug, links, firmware records."""
    from probe.documents.files import encode_lines, read_bytes
    from probe.errors.log_events import log_events
    from probe.evidence import Unread
    from probe.host.kernel_log import read_kernel_log, saved_lines

    if file is None:
        from probe.host.opening import open_source

        lines = read_kernel_log(open_source(None))
        if isinstance(lines, Unread):
            raise InputError(
                f"cannot be read ({lines.why})", where=lines.path, remedy="run as root, or give a saved log"
            )
    else:
        lines = saved_lines(read_bytes(file).decode("utf-8", "replace"))
    events = log_events(lines)
    if json:
        sys.stdout.buffer.write(encode_lines(events))
        return
    from probe.render.terminal.console import console
    from probe.render.terminal.log import log as draw

    draw(events, console())
