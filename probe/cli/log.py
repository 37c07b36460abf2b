"""linkprobe log."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import JsonOption, RedactOption, SysfsOption, cleaner
from probe.documents.captured import is_tar
from probe.documents.files import encode_lines, read_bytes, snapshot_in, uncompressed
from probe.documents.saved_text import saved_text
from probe.errors.log_events import log_events_of_boots
from probe.evidence import Host, LogLine, Unread
from probe.exceptions import InputError
from probe.foreign_text import made_plain
from probe.host.bounded import read_host_bounded
from probe.host.files import KERNEL_LOG
from probe.host.kernel_log import read_kernel_log, saved_boots
from probe.host.opening import open_source
from probe.render.terminal import log as screen
from probe.render.terminal.console import console

_Log = tuple[Host | None, tuple[tuple[LogLine, ...], ...]]
"""Whose it is, where that is known, and its lines, boot by boot."""
_DOCUMENT = b'{"schema":'
_GIVE_ANOTHER = "run as root, or give a saved log"
_NO_TEXT = "give it as text: dmesg, or journalctl -k -o export (--file FILE for a journal's own file)"


def log(
    file: Annotated[
        str | None,
        typer.Argument(metavar="[FILE]", help="A saved log, a journal export or a snapshot; - is standard input."),
    ] = None,
    sysfs: SysfsOption = None,
    json: JsonOption = False,
    redact: RedactOption = False,
) -> None:
    """Show what the kernel's log says of PCI Express: errors, containment, hot-plug, links, firmware records."""
    if file is not None and sysfs is not None:
        raise InputError("both name a log", where=f"{file} and --sysfs {sysfs}", remedy="give one of the two")
    owner, boots = _of_tree(sysfs) if file is None else _saved(file)
    events = log_events_of_boots(cleaner(redact=redact)((owner, boots))[1])
    if json:
        sys.stdout.buffer.write(encode_lines(events))
    else:
        screen.render(made_plain(events), console())


def _of_tree(sysfs: Path | None) -> _Log:
    source = open_source(sysfs)
    lines = read_kernel_log(source)
    if isinstance(lines, Unread):
        raise _not_read(lines, lines.path)
    return read_host_bounded(source), (lines,)


def _saved(name: str) -> _Log:
    """The lines of each boot of a saved log; those of a snapshot, or of a tar of a host's files, are of one boot."""
    data = uncompressed(read_bytes(name), name, _GIVE_ANOTHER)
    if not (is_tar(data) or data.startswith(_DOCUMENT)):
        return None, saved_boots(saved_text(data, name, _NO_TEXT), name)
    evidence = snapshot_in(data, name).evidence
    unread = next((item for item in evidence.unread if item.path.endswith(KERNEL_LOG)), None)
    if unread is not None:
        raise _not_read(unread, f"kernel log of {name}")
    return evidence.host, (evidence.kernel_log,)


def _not_read(unread: Unread, where: str) -> InputError:
    return InputError(f"was not read ({unread.why})", where=where, remedy=_GIVE_ANOTHER)
