"""What pictures that are drawn by hand are made of (SVG 1.1)."""

import xml.etree.ElementTree as ET
from collections.abc import Iterable

from probe.render.styles import Stroke

Point = tuple[float, float]


def picture(width: int, height: int, label: str, font_size: int) -> ET.Element:
    """An empty picture, as wide as its place, with what is said to who cannot see it."""
    attributes = {
        "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {width} {height}", "width": "100%", "role": "img",
        "aria-label": label, "font-family": "sans-serif", "font-size": str(font_size),
    }  # fmt: skip
    return ET.Element("svg", attributes)


def text(  # noqa: PLR0913 - what a text is drawn by
    root: ET.Element, at: Point, words: str, colour: str, *, anchor: str = "start", bold: bool = False
) -> None:
    """Words that have their `start`, `middle` or `end` at a point of their base line."""
    attributes = {"x": f"{at[0]:.1f}", "y": f"{at[1]:.1f}", "fill": colour}
    if anchor != "start":
        attributes["text-anchor"] = anchor
    if bold:
        attributes["font-weight"] = "bold"
    ET.SubElement(root, "text", attributes).text = words


def line(root: ET.Element, start: Point, stop: Point, stroke: Stroke, width: float = 1.0) -> None:
    """A straight line."""
    attributes = {"x1": f"{start[0]:.1f}", "y1": f"{start[1]:.1f}", "x2": f"{stop[0]:.1f}", "y2": f"{stop[1]:.1f}"}
    ET.SubElement(root, "line", attributes | _stroked(stroke, width))


def curve(root: ET.Element, points: Iterable[Point], stroke: Stroke, width: float) -> None:
    """A line from point to point."""
    ET.SubElement(root, "polyline", {"points": _points(points), "fill": "none"} | _stroked(stroke, width))


def area(root: ET.Element, corners: Iterable[Point], colour: str, opacity: float) -> None:
    """A filled area."""
    ET.SubElement(root, "polygon", {"points": _points(corners), "fill": colour, "fill-opacity": f"{opacity:g}"})


def box(root: ET.Element, start: Point, stop: Point, colour: str, opacity: float = 1.0) -> None:
    """A filled box from its upper left to its lower right corner."""
    attributes = {
        "x": f"{start[0]:.1f}", "y": f"{start[1]:.1f}", "width": f"{stop[0] - start[0]:.1f}",
        "height": f"{stop[1] - start[1]:.1f}", "fill": colour, "fill-opacity": f"{opacity:g}",
    }  # fmt: skip
    ET.SubElement(root, "rect", attributes)


def _stroked(stroke: Stroke, width: float) -> dict[str, str]:
    dashes = {"stroke-dasharray": stroke.dashes} if stroke.dashes else {}
    return {"stroke": stroke.colour, "stroke-width": f"{width:g}"} | dashes


def _points(points: Iterable[Point]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
