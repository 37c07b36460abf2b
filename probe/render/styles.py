"""How each word of a verdict looks in each medium, the tables beside each other. Colour is never the only carrier."""

import msgspec

from probe.observe.standing import Standing
from probe.result import Result
from probe.verdict.verdicts import Verdict


class Stroke(msgspec.Struct, frozen=True):
    """A line in a picture: its colour, and its dashes, which say the same without colour."""

    colour: str
    dashes: str = ""


TERMINAL: dict[Verdict, str] = {
    Verdict.DOWNTRAINED: "bold red",
    Verdict.CAPPED: "bold yellow",
    Verdict.UNJUDGED: "magenta",
    Verdict.RESTING: "blue",
    Verdict.LIMITED: "cyan",
    Verdict.FULL: "green",
    Verdict.EMPTY: "dim",
}
"""Styles of the terminal library."""

PAGE: dict[Verdict, Stroke] = {
    Verdict.DOWNTRAINED: Stroke("#a3161a", "8 4"),
    Verdict.CAPPED: Stroke("#8a4b00", "8 4"),
    Verdict.UNJUDGED: Stroke("#7a3b8f", "2 4"),
    Verdict.RESTING: Stroke("#3b4fa0"),
    Verdict.LIMITED: Stroke("#0a5a7a"),
    Verdict.FULL: Stroke("#17683a"),
    Verdict.EMPTY: Stroke("#5f6368", "2 4"),
}
"""Each colour has a contrast of at least 4.5 to white."""

STANDINGS: dict[Standing, str] = {
    Standing.GONE: "bold red",
    Standing.DOWN: "bold red",
    Standing.NO_ANSWER: "bold red",
    Standing.UNCORRECTABLE: "bold red",
    Standing.BELOW_BEST: "bold red",
    Standing.TROUBLED: "bold yellow",
    Standing.ERRORS: "yellow",
    Standing.NOT_READ: "magenta",
    Standing.RESTING: "blue",
    Standing.CALM: "green",
}
"""Styles of the terminal library for a link that is watched."""

TERMINAL_RESULTS: dict[Result, str] = {
    Result.PASSED: "bold green",
    Result.FAILED: "bold red",
    Result.INCONCLUSIVE: "bold yellow",
}
PAGE_RESULTS: dict[Result, str] = {
    Result.PASSED: "#17683a",
    Result.FAILED: "#a3161a",
    Result.INCONCLUSIVE: "#8a4b00",
}
"""How each result looks in each medium."""

RESULT_STROKES: dict[Result, Stroke] = {
    Result.PASSED: Stroke(PAGE_RESULTS[Result.PASSED]),
    Result.FAILED: Stroke(PAGE_RESULTS[Result.FAILED], "8 4"),
    Result.INCONCLUSIVE: Stroke(PAGE_RESULTS[Result.INCONCLUSIVE], "2 4"),
}
NOT_TESTED = Stroke("#5f6368", "1 6")
"""How a link is drawn by its result, and one that a run says nothing of."""

GOOD, BAD = PAGE[Verdict.FULL].colour, PAGE[Verdict.DOWNTRAINED].colour
