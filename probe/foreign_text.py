"""Text that others wrote (labels, names, log lines), made safe where it enters a medium that a person or program reads.

A device says of itself what it likes: an escape sequence would steer the terminal, a new line forge a line, a
bidirectional mark turn a sentence round, a zero byte make XML that is none.
"""

import unicodedata
from typing import Any, TypeVar

import msgspec

TEXT_LETTERS = 1_000
"""The most letters of one text that a screen or a page shows; JSON has it whole."""

Document = TypeVar("Document", bound=msgspec.Struct)
_UNSAFE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}  # general categories of Unicode (UAX 44)
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_BYTE = 0xFF
_BLANKS = {"\n": " ", "\t": " ", "\r": " "}


def safe(text: str) -> str:
    """The text with each letter that is not seen written as its number, on one line and no longer than TEXT_LETTERS."""
    if len(text) > TEXT_LETTERS:
        text = f"{text[:TEXT_LETTERS]}... ({len(text):,} letters)"
    if text.isascii() and text.isprintable():
        return text
    return "".join(_seen(letter) for letter in text)


def safe_document(document: Document) -> Document:
    """The same document with each text made safe; a document of plain short texts as it is."""
    data = msgspec.to_builtins(document)
    cleaned = _cleaned(data)
    return document if cleaned == data else msgspec.convert(cleaned, type(document))


def safe_cell(text: str) -> str:
    """A cell of a table that a spreadsheet reads as text, never as a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _cleaned(value: Any) -> Any:  # noqa: ANN401 - whatever a document holds
    if isinstance(value, str):
        return safe(value)
    if isinstance(value, list | tuple):
        return [_cleaned(item) for item in value]
    if isinstance(value, dict):
        return {_cleaned(key): _cleaned(item) for key, item in value.items()}
    return value


def _seen(letter: str) -> str:
    if letter in _BLANKS:
        return _BLANKS[letter]
    if unicodedata.category(letter) not in _UNSAFE:
        return letter
    number = ord(letter)
    return f"\\x{number:02x}" if number <= _BYTE else f"\\u{number:04x}"
