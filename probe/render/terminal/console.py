"""The one console that screens are drawn on, and how each verdict looks. Colour is never the only carrier."""

import os
import sys

from rich.console import Console

from probe.verdict.words import Verdict

STYLES: dict[Verdict, str] = {
    Verdict.DOWNTRAINED: "bold red",
    Verdict.CAPPED: "bold yellow",
    Verdict.UNJUDGED: "magenta",
    Verdict.RESTING: "blue",
    Verdict.LIMITED: "cyan",
    Verdict.FULL: "green",
    Verdict.EMPTY: "dim",
}

_PIPED_WIDTH = 120


def console(*, to_errors: bool = False) -> Console:
    """A console for this terminal; a pipe gets 120 columns (or COLUMNS) and no colour."""
    stream = sys.stderr if to_errors else sys.stdout
    width = None if stream.isatty() else int(os.environ.get("COLUMNS") or _PIPED_WIDTH)
    return Console(file=stream, width=width, highlight=False, markup=False, emoji=False)
