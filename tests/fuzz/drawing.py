"""A document drawn in every medium that has it, and looked over: whatever came in, nothing that is drawn may steer."""

import io
import re
import unicodedata
from contextlib import redirect_stdout
from importlib.util import find_spec
from typing import Any
from xml.etree import ElementTree as ET

import msgspec

from probe import render
from probe.documents.files import encode
from probe.render.renderers import MODULES, Medium, draw, renderer

_STEERING = {"Cc", "Cf", "Cs", "Zl", "Zp", "Co"}
_UNSEEN = re.compile(
    "[" + "".join(re.escape(chr(code)) for code in range(0x110000)
                  if unicodedata.category(chr(code)) in _STEERING - {"Co"} and chr(code) not in "\n\r") + "]"
)  # fmt: skip


def drawn(document: msgspec.Struct, **drawing: Any) -> None:
    """On a screen, as JSON, and in each file form. Raises AssertionError for text that steers."""
    encode(document)
    on_a_screen(document, **drawing)
    kind = MODULES[type(document).__name__]
    for medium in (Medium.HTML, Medium.CSV, Medium.JUNIT, Medium.MARKDOWN):
        if find_spec(f"{render.__name__}.{medium}.{kind}") is not None:
            looked_over(medium, renderer(document, medium)(document))


def on_a_screen(document: msgspec.Struct, **drawing: Any) -> None:
    """As a person sees it."""
    screen = io.StringIO()
    with redirect_stdout(screen):
        draw(document, **drawing)
    plain(screen.getvalue())


def looked_over(medium: Medium, made: Any) -> None:
    """A text, the bytes of XML, or a page of them."""
    if medium is Medium.HTML:
        from probe.render.html.page import html  # noqa: PLC0415 - altair's neighbours load slowly

        made = html(made)
    if isinstance(made, bytes):
        ET.fromstring(made)  # noqa: S314 - made by us
        made = made.decode()
    plain(made)


def plain(text: str) -> None:
    """Raise AssertionError where letters steer or hide, UnicodeEncodeError where they cannot be written."""
    text.encode()
    found = _UNSEEN.search(text)
    assert found is None, f"U+{ord(found[0]):04X} is drawn as it is"
