"""The eyes of a receiver's lanes as one SVG picture: a diamond a lane, side by side, on one scale.

Inside is what every step reached. The dashed frame is the widest of the lanes; an arrow goes on where a receiver's
range ended; a way that was not measured is a question mark, neither shut nor open.
"""

import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence

from probe.counted import counted
from probe.render import styles
from probe.render.eyes import Eye

_CELL, _HALF_WIDTH, _HALF_HEIGHT, _A_ROW, _LABEL = 104, 38, 30, 8, 20
_HEIGHT = 2 * _HALF_HEIGHT + 4 * _LABEL
_ARROW = 8
_FRAME, _TEXT = "#6b7280", "#202124"
_WAYS = (("left", -1, 0), ("up", 0, -1), ("right", 1, 0), ("down", 0, 1))


def eye_picture(row: Sequence[Eye], odd: frozenset[int]) -> str:
    """The picture as SVG text."""
    lines = -(-len(row) // _A_ROW)
    width, height = _CELL * min(len(row), _A_ROW), _HEIGHT * lines
    root = ET.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {width} {height}", "width": str(width), "role": "img",
        "aria-label": f"Eyes of {counted(len(row), 'lane')}; the widest reaches its frame", "font-family": "sans-serif",
        "font-size": "12",
    })  # fmt: skip
    for index, eye in enumerate(row):
        line, column = divmod(index, _A_ROW)
        middle = (column * _CELL + _CELL / 2, line * _HEIGHT + 1.5 * _LABEL + _HALF_HEIGHT)
        _lane(root, eye, middle, odd=eye.lane in odd)
    return ET.tostring(root, encoding="unicode")


def _lane(root: ET.Element, eye: Eye, middle: tuple[float, float], *, odd: bool) -> None:
    colour = styles.BAD if odd else styles.GOOD
    _polygon(root, middle, ((-1, 0), (0, -1), (1, 0), (0, 1)), fill="none", stroke=_FRAME, dashes="3 3")
    reach = [(x * (_share(eye, name) or 0.0), y * (_share(eye, name) or 0.0)) for name, x, y in _WAYS]
    _polygon(root, middle, reach, fill=colour, stroke=colour, dashes="")
    if not any(x or y for x, y in reach) and None not in {_share(eye, name) for name, _, _ in _WAYS}:
        ET.SubElement(root, "circle", {"cx": f"{middle[0]}", "cy": f"{middle[1]}", "r": "2", "fill": colour})
    for name, x, y in _WAYS:
        if name in eye.open_ended:
            _arrow(root, middle, (x, y), _share(eye, name) or 0.0, colour)
        elif _share(eye, name) is None:
            _text(root, (middle[0] + 0.5 * x * _HALF_WIDTH, middle[1] + 0.5 * y * _HALF_HEIGHT + 4), "?", _TEXT)
    label = f"lane {eye.lane}, odd" if odd else f"lane {eye.lane}"
    _text(root, (middle[0], middle[1] - _HALF_HEIGHT - 14), label, colour if odd else _TEXT, bold=odd)
    below = middle[1] + _HALF_HEIGHT + _LABEL + 2
    for index, told in enumerate(filter(None, eye.steps)):
        _text(root, (middle[0], below + index * 15), told, _TEXT)


def _share(eye: Eye, name: str) -> float | None:
    """How far the lane reaches; without height where the receiver cannot move in voltage."""
    if eye.flat and name in {"up", "down"}:
        return 0.0
    found: float | None = getattr(eye, name)
    return found


def _polygon(root: ET.Element, middle: tuple[float, float], points: Sequence[tuple[float, float]], **look: str) -> None:
    placed = " ".join(f"{x:.1f},{y:.1f}" for x, y in _placed(middle, points))
    ET.SubElement(root, "polygon", {
        "points": placed, "fill": look["fill"], "fill-opacity": "0.25", "stroke": look["stroke"],
        "stroke-dasharray": look["dashes"] or "none",
    })  # fmt: skip


def _placed(middle: tuple[float, float], points: Sequence[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    return ((middle[0] + x * _HALF_WIDTH, middle[1] + y * _HALF_HEIGHT) for x, y in points)


def _arrow(root: ET.Element, middle: tuple[float, float], way: tuple[int, int], share: float, colour: str) -> None:
    """A short line with a head, from where the range ended outwards."""
    (x, y) = way
    start = next(_placed(middle, [(x * share, y * share)]))
    tip = (start[0] + x * _ARROW, start[1] + y * _ARROW)
    wings = [(tip[0] - 4 * x - 3 * y, tip[1] - 4 * y - 3 * x), tip, (tip[0] - 4 * x + 3 * y, tip[1] - 4 * y + 3 * x)]
    path = " ".join(f"{a:.1f},{b:.1f}" for a, b in (start, tip, *wings))
    ET.SubElement(root, "polyline", {"points": path, "fill": "none", "stroke": colour})


def _text(root: ET.Element, at: tuple[float, float], content: str, colour: str, *, bold: bool = False) -> None:
    look = {"x": f"{at[0]:.1f}", "y": f"{at[1]:.1f}", "text-anchor": "middle", "fill": colour}
    ET.SubElement(root, "text", look | ({"font-weight": "bold"} if bold else {})).text = content
