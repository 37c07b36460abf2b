"""The one console that screens are drawn on."""

import os
import sys
from collections.abc import Iterator

from rich.console import Console, ConsoleOptions, ConsoleRenderable, RenderableType, RenderHook, RichCast
from rich.segment import Segment

from probe.foreign_text import plain

_PIPED_WIDTH = 120


def console(*, to_errors: bool = False) -> Console:
    """A console for this terminal; a pipe gets 120 columns (or COLUMNS) and no colour."""
    stream = sys.stderr if to_errors else sys.stdout
    width = None if stream.isatty() else int(os.environ.get("COLUMNS") or _PIPED_WIDTH)
    screen = _Screen(file=stream, width=width, highlight=False, markup=False, emoji=False)
    screen.push_render_hook(_Gate())
    return screen


class _Screen(Console):
    """One that tells of a reader that has gone, in place of ending the program with a status of its own."""

    def on_broken_pipe(self) -> None:
        """What came of the run is the caller's to say. Raises BrokenPipeError."""
        raise BrokenPipeError


class _Gate(RenderHook):
    """What is drawn on a screen without being part of a document goes through the gate here."""

    def process_renderables(self, renderables: list[ConsoleRenderable]) -> list[ConsoleRenderable]:
        """Each as one that shows all of its text."""
        return [_Shown(renderable) for renderable in renderables]


class _Shown:
    """What draws something else, with its text made plain; the library's own controls and line ends stay."""

    def __init__(self, inner: ConsoleRenderable | RichCast | str) -> None:
        self._inner = inner

    def __rich_console__(self, screen: Console, options: ConsoleOptions) -> Iterator[RenderableType | Segment]:
        """The same segments, their text made plain."""
        for text, style, control in screen.render(self._inner, options):
            yield Segment(text if control else _lines(text), style, control)


def _lines(text: str) -> str:
    return text if text.isascii() and text.isprintable() else "\n".join(map(plain, text.split("\n")))
