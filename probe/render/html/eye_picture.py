"""The eyes of a receiver's lanes as one SVG picture: a diamond a lane, side by side, on one scale."""

import xml.etree.ElementTree as ET
from collections.abc import Sequence

from probe.render import styles
from probe.render.eyes import Eye

_CELL, _HALF_WIDTH, _HALF_HEIGHT, _A_ROW, _LABEL = 100, 40, 26, 8, 18


def eye_picture(row: Sequence[Eye], odd: frozenset[int]) -> str:
    """The picture as SVG text."""
    lines = -(-len(row) // _A_ROW)
    width, height = _CELL * min(len(row), _A_ROW), (2 * _HALF_HEIGHT + 2 * _LABEL) * lines
    root = ET.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {width} {height}", "width": str(width), "role": "img",
        "aria-label": f"Eyes of {len(row)} lanes; the widest reaches its frame", "font-family": "sans-serif",
        "font-size": "12",
    })  # fmt: skip
    for index, eye in enumerate(row):
        line, column = divmod(index, _A_ROW)
        x = column * _CELL + _CELL / 2
        _lane(root, eye, (x, line * (2 * _HALF_HEIGHT + 2 * _LABEL) + _LABEL + _HALF_HEIGHT), odd=eye.lane in odd)
    return ET.tostring(root, encoding="unicode")


def _lane(root: ET.Element, eye: Eye, middle: tuple[float, float], *, odd: bool) -> None:
    x, y = middle
    colour = styles.BAD if odd else styles.GOOD
    frame = ((-1.0, 0.0), (0.0, -1.0), (1.0, 0.0), (0.0, 1.0))
    reach = (
        (-(eye.left or 0.0), 0.0), (0.0, -(eye.up or 0.0)), (eye.right or 0.0, 0.0), (0.0, eye.down or 0.0),
    )  # fmt: skip
    for points, fill, stroke, dash in ((frame, "none", "#6b7280", "3 3"), (reach, colour, colour, "")):
        placed = " ".join(f"{x + a * _HALF_WIDTH:.1f},{y + b * _HALF_HEIGHT:.1f}" for a, b in points)
        ET.SubElement(root, "polygon", {
            "points": placed, "fill": fill, "fill-opacity": "0.25", "stroke": stroke, "stroke-dasharray": dash,
        })  # fmt: skip
    label = ET.SubElement(root, "text", {"x": f"{x:.0f}", "y": f"{y - _HALF_HEIGHT - 5:.0f}", "text-anchor": "middle"})
    label.text = f"lane {eye.lane}{', odd' if odd else ''}"
