"""Answers of the fleet on a terminal: what has no room is named, and nothing is where all has room."""

import io

import pytest
from rich.console import Console

from probe.render.terminal.fleet import draw

ROW = {
    "host": "mast-000001", "place": "M7", "address": "0000:00:01.6", "component": "Non-Volatile memory controller",
    "fatal": 0, "nonfatal": 1, "correctable": 80, "board": "Twin socket board 2", "boots": 12,
}  # fmt: skip


def drawn(width: int) -> str:
    stream = io.StringIO()
    draw([ROW], Console(file=stream, width=width))
    return stream.getvalue()


@pytest.mark.parametrize("width", [60, 80])
def test_a_column_without_room_is_named(width: int) -> None:
    head, *_, last = drawn(width).splitlines()
    table, _, told = drawn(width).partition("No room for ")
    shown, missing = head.split(), " ".join(told.split())
    assert told
    assert "mast-000001" in table
    assert "M7" in table
    for name in ("non-fatal", "boots", "board", "correctable", "fatal"):
        assert (name in shown) != (name in missing.replace(",", "").split(":")[0].split()), name
    assert all(len(line) <= width for line in drawn(width).splitlines())
    assert last


def test_nothing_is_named_where_all_has_room() -> None:
    assert "No room" not in drawn(160)
