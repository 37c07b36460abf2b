"""The live table: it fits whatever terminal there is, the worst first, with the last events in sight."""

import errno
import io
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from probe.observe.standing import Standing
from probe.render import styles
from probe.render.terminal.live import Column, Line, Row, Shown, folded, frame, showing

COLUMNS = (
    Column("now", 13),
    Column("place", 14, wide=True),
    Column("component", 30, from_width=110),
    Column("runs at", 13),
)


def row(standing: Standing, place: str = "slot 1") -> Row:
    return Row(standing, (standing, place, "a drive", "16 GT/s x4"))


def shown(*rows: Row, happened: tuple[Line, ...] = ()) -> Shown:
    return Shown(head="40 links, 0:01:00 gone", columns=COLUMNS, rows=rows, happened=happened)


def line(number: int, count: int | None = None, words: str = "went from 16 GT/s x4 to 8 GT/s x4") -> Line:
    return Line(clock=float(number), place=f"slot {number}", words=words, count=count)


def lines(what: Shown, latest: tuple[Line, ...], width: int = 80, height: int = 23) -> list[str]:
    return frame(what, latest, width, height).plain.split("\n")


@given(
    standings=st.lists(st.sampled_from(Standing), max_size=250),
    events=st.integers(0, 60),
    place=st.text(max_size=40),
    width=st.integers(40, 200),
    height=st.integers(8, 60),
)
def test_it_fits_any_terminal(standings: list[Standing], events: int, place: str, width: int, height: int) -> None:
    place = "".join(letter for letter in place if letter.isprintable())
    drawn = lines(shown(*(row(word, place) for word in standings)), tuple(map(line, range(events))), width, height)
    assert len(drawn) <= height
    assert all(cell_len(text) <= width for text in drawn)
    assert any(text.endswith(line(events - 1).words) for text in drawn) or not events or width < 60
    first = [text[:13].rstrip() for text in drawn[2:]]
    seen = [word for word in first if word in set(Standing)]
    assert seen == sorted(standings, key=lambda word: word.rank)[: len(seen)]
    hidden = [text for text in drawn if text.startswith("and ")]
    assert len(seen) + (int(hidden[0].split()[1]) if hidden else 0) == len(standings)


def test_forty_links_at_80_by_24_leave_the_last_events_in_sight() -> None:
    calm = [row(Standing.CALM, f"slot {number}") for number in range(38)]
    drawn = lines(
        shown(*calm, row(Standing.ERRORS, "slot 38"), row(Standing.GONE, "slot 39")), tuple(map(line, range(9)))
    )
    assert len(drawn) == 23
    assert drawn[2].startswith("gone          slot 39")
    assert drawn[3].startswith("errors        slot 38")
    assert "and 28 more, calm" in drawn
    assert drawn[-6:] == [str(line(number)) for number in range(3, 9)]


def test_what_is_hidden_is_calm_only_where_it_is() -> None:
    drawn = lines(shown(*[row(Standing.ERRORS)] * 30, row(Standing.CALM)), ())
    assert any(text.startswith("and ") and text.endswith(" errors, 1 calm") for text in drawn)


def test_a_wide_terminal_has_more_columns() -> None:
    assert "component" not in lines(shown(row(Standing.CALM)), (), 100)[1]
    assert "component" in lines(shown(row(Standing.CALM)), (), 120)[1]


def test_every_word_has_a_look() -> None:
    assert set(styles.STANDINGS) == set(Standing)


def test_errors_of_one_kind_are_one_line_with_their_sum() -> None:
    found = folded([line(1, 3, "correctable: Bad TLP"), line(2), line(1, 4, "correctable: Bad TLP"), line(2)])
    assert [(item.place, item.count) for item in found] == [("slot 2", None), ("slot 1", 7), ("slot 2", None)]


class Times:
    """The time of `live`, as a test sets it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now = 0.0
        monkeypatch.setattr("probe.render.terminal.live.monotonic", lambda: self.now)


def test_without_a_terminal_a_line_an_event_and_one_each_ten_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    times, out = Times(monkeypatch), io.StringIO()
    with showing(Console(file=out, width=80)) as show:
        for second in range(1201):
            times.now = float(second)
            happened = (line(1), line(7, 2, "correctable: Bad TLP")) if second in {5, 9} else ()
            show(shown(row(Standing.CALM), row(Standing.ERRORS), happened=happened))
    told = [text[10:] for text in out.getvalue().splitlines()]
    assert told == [
        "slot 1  went from 16 GT/s x4 to 8 GT/s x4",
        "slot 7  2 correctable: Bad TLP",
        "slot 1  went from 16 GT/s x4 to 8 GT/s x4",
        "slot 7  2 more correctable: Bad TLP",
        "40 links, 0:01:00 gone: 1 errors, 1 calm",
        "40 links, 0:01:00 gone: 1 errors, 1 calm",
    ]


def test_a_terminal_is_drawn_on_once_a_second_at_the_most(monkeypatch: pytest.MonkeyPatch) -> None:
    times, out = Times(monkeypatch), io.StringIO()
    with showing(Console(file=out, force_terminal=True, width=80, height=24)) as show:
        for tick in range(101):
            times.now = tick / 20
            show(shown(row(Standing.CALM)))
    assert out.getvalue().count("40 links, 0:01:00 gone") == 6 + 1  # each second, and the end


class Gone(io.StringIO):
    """A stream whose reader has gone."""

    def __init__(self, error: Callable[[], Exception]) -> None:
        super().__init__()
        self._error = error

    def write(self, _: str) -> int:
        raise self._error()


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("error", [BrokenPipeError, lambda: OSError(errno.EIO, "Input/output error")])
def test_a_reader_that_has_gone_ends_only_what_nobody_needs(terminal: bool, error: Callable[[], Exception]) -> None:
    class Screen(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    what = shown(row(Standing.CALM), happened=(line(1),))
    with showing(Screen(file=Gone(error), force_terminal=terminal), outlived=True) as show:
        show(what)
        show(what)
    with pytest.raises(OSError), showing(Screen(file=Gone(error), force_terminal=terminal)) as show:  # noqa: PT011 - either
        show(what)
