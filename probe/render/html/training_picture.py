"""Trainings as one SVG picture: a bar each, as high as it took long, marked by what came of it.

Where there are more than bars have room, each bar is a run of them: the longest time and the worst outcome.
"""

import xml.etree.ElementTree as ET
from collections.abc import Sequence

from probe.active.documents import Attempt, Kind
from probe.counted import counted
from probe.render import styles
from probe.render.units import even_runs

_WIDTH, _HEIGHT, _TOP, _BOTTOM, _LEFT = 680, 120, 16, 20, 64
_MOST_BARS = 200
_LEAST_BAR = 2.0
_GREY, _TEXT = "#6b7280", "#202124"
_UNSEEN = frozenset({Kind.NOT_OBSERVED, Kind.NOT_DONE})


def training_picture(attempts: Sequence[Attempt]) -> str:
    """The picture as SVG text."""
    bars = [attempts[run.start : run.stop] for run in even_runs(len(attempts), -(-len(attempts) // _bars(attempts)))]
    longest = max((attempt.ms for attempt in attempts if attempt.ms is not None), default=0.0)
    root = ET.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {_WIDTH} {_HEIGHT}", "width": str(_WIDTH),
        "role": "img", "aria-label": f"{counted(len(attempts), 'training')} in order", "font-family": "sans-serif",
        "font-size": "12",
    })  # fmt: skip
    _axis(root, longest, len(attempts))
    step = (_WIDTH - _LEFT) / len(bars)
    for index, bar in enumerate(bars):
        _bar(root, bar, (_LEFT + index * step, max(1.0, step - 1.0)), longest)
    return ET.tostring(root, encoding="unicode")


def _bars(attempts: Sequence[Attempt]) -> int:
    return min(len(attempts), _MOST_BARS)


def _bar(root: ET.Element, run: Sequence[Attempt], place: tuple[float, float], longest: float) -> None:
    left, width = place
    took = max((attempt.ms for attempt in run if attempt.ms is not None), default=None)
    short = any(attempt.kind not in {Kind.GOOD, *_UNSEEN} for attempt in run)
    unseen = not short and any(attempt.kind in _UNSEEN for attempt in run)
    floor = _HEIGHT - _BOTTOM
    height = _LEAST_BAR if took is None or not longest else max(_LEAST_BAR, (floor - _TOP) * took / longest)
    colour = styles.BAD if short else _GREY if unseen else styles.GOOD
    ET.SubElement(root, "rect", {
        "x": f"{left:.1f}", "y": f"{floor - height:.1f}", "width": f"{width:.1f}", "height": f"{height:.1f}",
        "fill": "none" if unseen else colour, "stroke": colour,
    })  # fmt: skip
    middle, above = left + width / 2, floor - height - 7
    if short:
        cross = f"M{middle - 3:.1f} {above - 3:.1f}l6 6m0 -6l-6 6"
        ET.SubElement(root, "path", {"d": cross, "stroke": colour, "fill": "none"})
    elif unseen:
        ET.SubElement(root, "circle", {
            "cx": f"{middle:.1f}", "cy": f"{above:.1f}", "r": "3", "fill": "none", "stroke": colour,
        })  # fmt: skip


def _axis(root: ET.Element, longest: float, count: int) -> None:
    floor = _HEIGHT - _BOTTOM
    line = {"x1": str(_LEFT), "x2": str(_WIDTH), "y1": str(floor), "y2": str(floor), "stroke": _GREY}
    ET.SubElement(root, "line", line)
    _text(root, (_LEFT - 4, _TOP + 4), f"{longest:.3g} ms" if longest else "", "end")
    _text(root, (_LEFT, _HEIGHT - 4), "1", "start")
    _text(root, (_WIDTH, _HEIGHT - 4), str(count), "end")


def _text(root: ET.Element, at: tuple[float, float], content: str, anchor: str) -> None:
    look = {"x": f"{at[0]:.1f}", "y": f"{at[1]:.1f}", "text-anchor": anchor, "fill": _TEXT}
    ET.SubElement(root, "text", look).text = content
