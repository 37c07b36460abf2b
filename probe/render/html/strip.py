"""The course of one link as a strip (SVG): state, rate, errors and temperature above one axis over the whole run.

What colour says a shape says too: a state by its height and its words, a way by its dashes. Drawn by hand: sixty strips
of a chart library take half a minute and a megabyte, and where nobody looked nothing may be drawn.
"""

import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence

import msgspec

from probe.links.state import LinkState
from probe.loads.results import BOTH, FROM_HOST, TO_HOST
from probe.render.html.drawing import area, box, curve, line, picture, text
from probe.render.html.ticks import ticks
from probe.render.styles import BAD, GOOD, Stroke
from probe.soak.course import Course, StateSpan, ValueSpan, badness

_WIDTH, _LEFT, _RIGHT = 860, 86, 846
_GAP, _AXIS = 7, 18
_LETTER = 6.8
_INK, _DIM = "#3c4043", "#5f6368"
_GRID, _BASE, _CEILING = Stroke("#e8eaed"), Stroke("#bdc1c6"), Stroke("#70757a", "8 3")
_FAILS = Stroke(BAD, "3 2")
_WARM = Stroke("#8a4b00")
WAYS: dict[str, Stroke] = {
    TO_HOST: Stroke("#0a5a7a"),
    FROM_HOST: Stroke("#7a3b8f", "7 3"),
    BOTH: Stroke("#17683a", "3 2"),
}
OTHER_WAY = Stroke("#3c4043", "1 3")
"""How each way is drawn, and any other."""


class Frame(msgspec.Struct, frozen=True, kw_only=True):
    """What a strip is drawn against: the best state, the most bytes a second one way; None where not known."""

    title: str
    best: LinkState
    ceiling_bytes_s: int | None
    end_s: float
    counted: bool | None
    tall: bool = False

    def x(self, t: float) -> float:
        """Where a moment is."""
        return _LEFT + (_RIGHT - _LEFT) * min(max(t / max(self.end_s, 1e-9), 0.0), 1.0)


class Track(msgspec.Struct, frozen=True):
    """One of the four, from its top on, and the values at its foot and its top."""

    top: float
    height: float
    low: float = 0.0
    high: float = 1.0

    @property
    def foot(self) -> float:
        """Its lower edge."""
        return self.top + self.height

    def y(self, value: float) -> float:
        """Where a value is."""
        return self.foot - self.height * (value - self.low) / (self.high - self.low)

    def of(self, low: float, high: float) -> "Track":
        """The same with these values at its foot and top."""
        return Track(self.top, self.height, low, high)


def strip(course: Course, frame: Frame) -> str:
    """The picture as SVG text."""
    heights = (22, 100, 26, 60) if frame.tall else (18, 46, 18, 30)
    foot = sum(heights) + _GAP * len(heights)
    root = picture(_WIDTH, foot + _AXIS, f"State, rate, errors and temperature of {frame.title} over the whole run", 12)
    _axis(root, frame, foot)
    top = 2.0
    for draw, height in zip((_states, _rates, _errors, _heat), heights, strict=True):
        draw(root, course, frame, Track(top, height))
        top += height + _GAP
    for event in course.events:
        if event.bad:
            line(root, (frame.x(event.t), 0), (frame.x(event.t), foot), _FAILS)
    return ET.tostring(root, encoding="unicode")


def _axis(root: ET.Element, frame: Frame, foot: float) -> None:
    for tick in ticks(frame.end_s):
        x = frame.x(tick.t)
        line(root, (x, 0), (x, foot), _GRID)
        text(root, (x, foot + 11), tick.label, _INK, anchor="end" if x > _RIGHT - 20 else "middle")
    line(root, (_LEFT, foot), (_RIGHT, foot), Stroke("#70757a"))


def _states(root: ET.Element, course: Course, frame: Frame, track: Track) -> None:
    """A bar as high as what the state carries of the best, with its words where there is room for them."""
    _name(root, "state", track)
    for span in course.states:
        x, until = frame.x(span.t), max(frame.x(span.until), frame.x(span.t) + 0.8)
        share, colour = _share(span, frame.best)
        high = max(track.height * share, 2.0)
        box(root, (x, track.foot - high), (until, track.foot), colour, 0.2 if colour == GOOD else 0.4)
        words = "down or not read" if span.state is None else f"{span.state}{' and others' if span.several else ''}"
        if until - x > _LETTER * len(words) + 4:
            text(root, (x + 3, track.foot - 5), words, colour)


def _share(span: StateSpan, best: LinkState) -> tuple[float, str]:
    if span.state is None:
        return 0.0, _DIM
    most = badness(best)
    share = min(badness(span.state) / most, 1.0) if most else 1.0
    return share, GOOD if share == 1.0 else BAD


def _rates(root: ET.Element, course: Course, frame: Frame, track: Track) -> None:
    """The rate of each way, with its least and most, and the ceiling of one way."""
    _name(root, "GB/s", track)
    most = max((span.most for spans in course.rates.values() for span in spans), default=0.0)
    ceiling = float(frame.ceiling_bytes_s or 0.0)
    if not course.rates or not max(most, ceiling):
        text(root, (_LEFT + 3, track.foot - 4), "not measured", _INK)
        return
    scaled = track.of(0.0, max(most, ceiling) * 1.04)
    _scale(root, scaled, [(0.0, "0"), (most, f"{most / 1e9:.3g}")] if most else [(0.0, "0")])
    if ceiling:
        line(root, (_LEFT, scaled.y(ceiling)), (_RIGHT, scaled.y(ceiling)), _CEILING)
    for way, spans in course.rates.items():
        _curve(root, spans, frame, scaled, WAYS.get(way, OTHER_WAY))


def _heat(root: ET.Element, course: Course, frame: Frame, track: Track) -> None:
    _name(root, "°C", track)
    if not course.heat:
        text(root, (_LEFT + 3, track.foot - 4), "not measured", _INK)
        return
    least, most = min(span.least for span in course.heat), max(span.most for span in course.heat)
    scaled = track.of(least - 2.0, most + 2.0)
    _scale(root, scaled, [(value, f"{value:.0f}") for value in ((least, most) if most - least > 1 else (most,))])
    _curve(root, course.heat, frame, scaled, _WARM)


def _errors(root: ET.Element, course: Course, frame: Frame, track: Track) -> None:
    """A bar a moment in which errors were counted; uncorrectable ones reach to the top and are written beside it."""
    _name(root, "errors", track)
    line(root, (_LEFT, track.foot), (_RIGHT, track.foot), _BASE)
    if not course.errors:
        words = "cannot be counted on this machine" if frame.counted is False else "none"
        text(root, (_LEFT + 3, track.foot - 4), words, _INK)
        return
    total = sum(span.correctable + span.uncorrectable for span in course.errors)
    text(root, (_LEFT - 6, track.foot - 2), str(total), _INK, anchor="end")
    scaled = track.of(0.0, float(max(1, *(span.correctable for span in course.errors))))
    for span in course.errors:
        x = frame.x(span.t)
        top = track.top if span.uncorrectable else min(scaled.y(span.correctable), track.foot - 3)
        box(root, (x, top), (x + 2.5, track.foot), BAD if span.uncorrectable else _WARM.colour)
        if span.uncorrectable:
            text(root, (x + 5, track.top + 9), f"{span.uncorrectable} uncorrectable", BAD)


def _curve(root: ET.Element, spans: Sequence[ValueSpan], frame: Frame, track: Track, stroke: Stroke) -> None:
    """A line along the means, broken where nobody looked, in a band from the least to the most."""
    for run in _unbroken(spans):
        corners = [(frame.x(edge), span) for span in run for edge in (span.t, span.until)]
        if any(span.least < span.most for span in run):
            above = [(x, track.y(span.most)) for x, span in corners]
            below = [(x, track.y(span.least)) for x, span in reversed(corners)]
            area(root, [*above, *below], stroke.colour, 0.18)
        curve(root, [(x, track.y(span.mean)) for x, span in corners], stroke, 1.4)


def _unbroken(spans: Sequence[ValueSpan]) -> Iterator[list[ValueSpan]]:
    """The spans that follow each other at once."""
    run: list[ValueSpan] = []
    for span in spans:
        if run and span.t > run[-1].until + 1e-6:
            yield run
            run = []
        run.append(span)
    if run:
        yield run


def _scale(root: ET.Element, track: Track, marks: Sequence[tuple[float, str]]) -> None:
    """What the least and the most stand for, at the left."""
    line(root, (_LEFT, track.foot), (_RIGHT, track.foot), _BASE)
    for value, label in marks:
        text(root, (_LEFT - 6, min(max(track.y(value) + 4, track.top + 8), track.foot)), label, _INK, anchor="end")


def _name(root: ET.Element, words: str, track: Track) -> None:
    text(root, (2, track.top + track.height / 2 + 4), words, _INK)
