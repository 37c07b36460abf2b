"""Rows as CSV (RFC 4180): a header, lines ended as the standard has them, and nothing where nothing was read."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

from probe.foreign_text import cells, made_plain


def table(columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> str:
    """The text of a table; a value that is None is an empty cell."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(cells(made_plain(dict(row))) for row in rows)
    return out.getvalue()
