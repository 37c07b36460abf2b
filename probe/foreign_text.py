"""The one gate for text that others wrote: device labels, slot names, log lines, names of hosts and files.

A document keeps it as it was read, and JSON has it whole. What a person or another program is shown is made plain here:
one line, no control character, nothing invisible, nothing that turns the direction of reading, no endless length. What
was taken out is shown by its number, so that nobody takes the text for another.
"""

import re
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

import msgspec

MOST_LETTERS = 2048
"""Letters of one text that are shown; as long as the longest kernel command line of x86."""

_INVISIBLE = re.compile(
    "[\\x00-\\x1f\\x7f-\\x9f\\xad\\u034f\\u0600-\\u0605\\u061c\\u06dd\\u070f\\u0890\\u0891\\u08e2\\u115f\\u1160"
    "\\u17b4\\u17b5\\u180b-\\u180f\\u200b-\\u200f\\u2028-\\u202e\\u2060-\\u206f\\u2800\\u3164\\ud800-\\udfff"
    "\\ufe00-\\ufe0f\\ufeff\\uffa0\\ufff0-\\uffff\\U000110bd\\U000110cd\\U00013430-\\U0001343f"
    "\\U0001bca0-\\U0001bca3\\U0001d173-\\U0001d17a\\U000e0000-\\U000e0fff]"
)
"""Unicode: general categories Cc, Cf, Cs, Zl, Zp and the property Default_Ignorable_Code_Point (UAX 44)."""

_SHORT = 0xFFFF  # four digits
_BYTE_ESCAPES = range(0xDC80, 0xDD00)  # Python: how a byte of a file's name that is no UTF-8 is kept
_FORMULA = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_MARKDOWN = re.compile(r"([\\`*_\[\]<>|~&])")
_FILE_NAME = re.compile(r"[^A-Za-z0-9.-]")
_FILE_NAME_LETTERS = 64

Value = TypeVar("Value")


def plain(text: str, most: int = MOST_LETTERS) -> str:
    """A text as one line that shows all of itself; `most` letters, and how many there were."""
    shown = text[:most]
    if _INVISIBLE.search(shown):
        shown = _INVISIBLE.sub(_number, shown)
    return shown if len(text) <= most else f"{shown}... ({len(text)} letters)"


def _number(match: re.Match[str]) -> str:
    code = ord(match[0])
    if code in _BYTE_ESCAPES:
        return f"\\x{code - _BYTE_ESCAPES.start + 0x80:02x}"
    if code <= 0xFF:  # noqa: PLR2004 - two digits
        return f"\\x{code:02x}"
    return _escaped(code)


def made_plain(value: Value) -> Value:
    """A value with every text in it made plain, however deep; itself where nothing had to change."""
    changed: Value = _made_plain(value)
    return changed


def _made_plain(value: Any) -> Any:  # noqa: ANN401 - whatever a document holds
    if isinstance(value, msgspec.Struct):
        fields = {name: (getattr(value, name), made_plain(getattr(value, name))) for name in value.__struct_fields__}
        changes = {name: after for name, (before, after) in fields.items() if after is not before}
        return msgspec.structs.replace(value, **changes) if changes else value
    kind = type(value)  # an enumeration's member is a text too, and stays what it is
    if kind is str:
        return plain(value)
    if kind is tuple or kind is list:
        items = [made_plain(item) for item in value]
        return value if _same(items, value) else kind(items)
    if kind is dict:
        pairs = {made_plain(key): made_plain(item) for key, item in value.items()}
        return value if _same(pairs, value) and _same(pairs.values(), value.values()) else pairs
    return value


def _same(some: Iterable[object], others: Iterable[object]) -> bool:
    return all(one is other for one, other in zip(some, others, strict=False))


def cells(row: Mapping[str, object]) -> dict[str, object]:
    """A row of CSV of which no spreadsheet takes a text for a formula (OWASP, CSV Injection); numbers stay numbers."""
    return {
        name: f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value
        for name, value in row.items()
    }


def markdown(text: str) -> str:
    """A text within Markdown that is no markup, no mention and no address (CommonMark, 2.4 Backslash escapes)."""
    return _MARKDOWN.sub(r"\\\1", plain(text)).replace("@", "&#64;").replace("://", ":&#47;/")


def toml(text: str) -> str:
    """A TOML text of which every letter can be seen: what cannot stands escaped, as within its strings (TOML 1.0)."""
    return _INVISIBLE.sub(lambda match: match[0] if match[0] == "\n" else _escaped(ord(match[0])), text)


def _escaped(code: int) -> str:
    return f"\\u{code:04x}" if code <= _SHORT else f"\\U{code:08x}"


def file_name(text: str) -> str:
    """A text as a part of a file's name."""
    return _FILE_NAME.sub("_", text)[:_FILE_NAME_LETTERS].lstrip(".") or "_"
