"""What is told while an active test runs: lines for a pipe, and on a terminal where it stands."""

import io
import re

import pytest
from rich.console import Console

from probe.active.documents import Attempt, Kind
from probe.render.terminal.active_progress import Telling
from tests.active.model import PORT, Model, link

TARGET = Model(link()).target


def attempt(number: int, kind: Kind = Kind.GOOD) -> Attempt:
    return Attempt(number=number, kind=kind, observed_training=True, ms=6.0, speed_gts=16.0, width=8)


def told(times: int, short: frozenset[int] = frozenset()) -> str:
    stream = io.StringIO()
    moments = iter(range(10_000))
    screen = Console(file=stream, width=100, get_time=lambda: float(next(moments)))
    with Telling(screen, times) as telling:
        for number in range(1, times + 1):
            telling(TARGET, attempt(number, Kind.NARROWER if number in short else Kind.GOOD))
    return stream.getvalue()


def test_few_trainings_have_a_line_each() -> None:
    lines = told(3).splitlines()
    assert lines == [f"{PORT}  training {number} of 3: good, 16 GT/s x8, 6 ms" for number in (1, 2, 3)]


def test_of_many_only_the_short_ones_and_every_tenth_part() -> None:
    numbers = [int(number) for number in re.findall(r"training (\d+) of 1000", told(1000, frozenset({7, 333})))]
    assert numbers == [7, 100, 200, 300, 333, 400, 500, 600, 700, 800, 900, 1000]


@pytest.mark.parametrize(
    ("short", "words"), [(frozenset[int](), "none short so far"), (frozenset({2}), "1 short so far")]
)
def test_a_terminal_shows_where_it_stands(short: frozenset[int], words: str) -> None:
    stream = io.StringIO()
    moments = iter(range(10_000))
    screen = Console(file=stream, width=100, get_time=lambda: float(next(moments)))
    telling = Telling(screen, 10)
    for number in range(1, 5):
        telling(TARGET, attempt(number, Kind.NARROWER if number in short else Kind.GOOD))
    assert words in telling.stands
    assert "training 4 of 10" in telling.stands
    assert "6 trainings to go, about" in telling.stands


def test_news_are_told_as_they_are() -> None:
    stream = io.StringIO()
    telling = Telling(Console(file=stream, width=100))
    telling(TARGET, "receiver 1: left done")
    assert stream.getvalue() == f"{PORT}  receiver 1: left done\n"
