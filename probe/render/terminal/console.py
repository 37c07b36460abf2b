"""The one console that screens are drawn on."""

import os
import sys

from rich.console import Console

_PIPED_WIDTH = 120


def console(*, to_errors: bool = False) -> Console:
    """A console for this terminal; a pipe gets 120 columns (or COLUMNS) and no colour."""
    stream = sys.stderr if to_errors else sys.stdout
    width = None if stream.isatty() else int(os.environ.get("COLUMNS") or _PIPED_WIDTH)
    return Console(file=stream, width=width, highlight=False, markup=False, emoji=False)
