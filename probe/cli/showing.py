"""The one way in which a command shows its document and ends: on the screen, as JSON, CSV or Markdown."""

import contextlib
import errno
import os
import sys
from collections.abc import Iterator
from typing import Any, TextIO

import msgspec
import typer

from probe.documents.files import encode
from probe.exceptions import InputError
from probe.exit_status import ExitStatus
from probe.render.renderers import Medium, draw, renderer


def show(
    document: msgspec.Struct,
    *,
    status: ExitStatus = ExitStatus.CLEAN,
    json: bool = False,
    csv: bool = False,
    markdown: bool = False,
    **drawing: Any,  # noqa: ANN401 - what the document's renderer for a screen takes
) -> None:
    """Show a document and end with a status. Raises InputError for two forms at once."""
    asked = [name for name, wanted in (("--json", json), ("--csv", csv), ("--markdown", markdown)) if wanted]
    if len(asked) > 1:
        raise InputError("given together", where=" and ".join(asked), remedy="give one of them")
    with unless_nobody_looks(sys.stdout):
        if json:
            sys.stdout.buffer.write(encode(document))
        elif csv:
            sys.stdout.write(renderer(document, Medium.CSV)(document))
        elif markdown:
            sys.stdout.write(renderer(document, Medium.MARKDOWN)(document))
        else:
            draw(document, **drawing)
    end(status)


@contextlib.contextmanager
def unless_nobody_looks(stream: TextIO) -> Iterator[None]:
    """Write to a stream; where its reader or its terminal has gone, which is their right, the rest is for nobody."""
    try:
        yield
        stream.flush()
    except OSError as error:
        if not isinstance(error, BrokenPipeError) and error.errno != errno.EIO:
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def end(status: ExitStatus) -> None:
    """End the command with a status."""
    if status is not ExitStatus.CLEAN:
        raise typer.Exit(status)
