"""A text that somebody saved: in UTF-8 or UTF-16, with a byte order mark or without, with what a crash left in it."""

import codecs

from probe.exceptions import InputError

MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
"""Byte order marks, each with the encoding that takes it away."""

_CONTROL = bytes({*range(1, 32), 127} - {*b"\t\n\v\f\r\b\a\x1b"})
_RARE = 0.02
"""The most control characters that a text has; bytes at random, as packed ones are, have five times as many."""
_MOSTLY = 0.4  # of all bytes: in UTF-16, nearly every second one of a log's is zero


def saved_text(data: bytes, name: str, remedy: str) -> str:
    """The text in these bytes; what cannot be decoded is replaced. Raises InputError for what is no text.

    Zeros alone are no sign against it: a crash leaves whole blocks of them in a log.
    """
    for mark, encoding in MARKS:
        if data.startswith(mark):
            return data.decode(encoding, "replace")
    for first, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
        if data[first::2].count(0) > _MOSTLY * len(data) and data[1 - first :: 2].count(0) == 0:
            return data.decode(encoding, "replace")
    if sum(data.count(byte) for byte in _CONTROL) > _RARE * len(data):
        raise InputError("is no text", where=name, remedy=remedy)
    return data.replace(b"\0", b"").decode("utf-8", "replace")
