"""The machine's PCI Express tree as a picture (SVG): each link coloured, dashed and labelled by verdict and width."""

from collections.abc import Sequence
from xml.etree import ElementTree as ET

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.counted import counted
from probe.render.styles import PAGE
from probe.verdict.words import Verdict

_ROW, _STEP, _LINE, _TOP, _TEXT = 30, 36, 200, 24, 12
_PAGE_WIDTH = 860


def tree_picture(links: Sequence[LinkDocument]) -> str:
    """The picture as SVG text."""
    rows = _ordered(links)
    height = _TOP + _ROW * len(rows) + 8
    root = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {_PAGE_WIDTH} {height}", "width": "100%",
            "role": "img", "aria-label": f"Tree of {counted(len(rows), 'PCI Express link')} with verdicts",
            "font-family": "sans-serif", "font-size": str(_TEXT),
        },
    )  # fmt: skip
    places: dict[str, tuple[int, int]] = {}
    for number, (link, depth) in enumerate(rows):
        x, y = 8 + depth * _STEP, _TOP + number * _ROW
        places[link.place_id] = (x, y)
        _row(root, link, x, y, places.get(_parent(link, places) or ""))
    return ET.tostring(root, encoding="unicode")


def _ordered(links: Sequence[LinkDocument]) -> list[tuple[LinkDocument, int]]:
    """Links from the root down, each with its depth."""
    listed = sorted(links, key=lambda link: link.place_id)
    places = {link.place_id for link in listed}
    return [(link, sum(link.place_id.startswith(f"{other}/") for other in places)) for link in listed]


def _parent(link: LinkDocument, places: dict[str, tuple[int, int]]) -> str | None:
    above = [place for place in places if link.place_id.startswith(f"{place}/")]
    return max(above, key=len, default=None)


def _row(root: ET.Element, link: LinkDocument, x: int, y: int, parent: tuple[int, int] | None) -> None:
    stroke = PAGE[link.verdict]
    colour = stroke.colour
    if parent is not None:
        knee = f"M {parent[0] + 14} {parent[1] + 6} V {y} H {x}"
        ET.SubElement(root, "path", {"d": knee, "fill": "none", "stroke": "#70757a"})
    lanes = link.negotiated.width or 1
    line = {
        "x1": str(x), "y1": str(y), "x2": str(x + _LINE), "y2": str(y), "stroke": colour,
        "stroke-width": f"{2 + min(lanes, 16) / 4:.1f}",
    }  # fmt: skip
    if stroke.dashes:
        line["stroke-dasharray"] = stroke.dashes
    ET.SubElement(root, "line", line)
    state = "" if link.verdict is Verdict.EMPTY else f" {link.negotiated}"
    _text(root, (x, y - 6), f"{link.verdict}{state}", colour, bold=True)
    component = "" if link.component is None else f"{_name(link)}, "
    _text(root, (x + _LINE + 10, y + 4), f"{component}{title(link)}", "#202124", bold=False)


def _name(link: LinkDocument) -> str:
    """The component in words, or by its numbers where it has no name."""
    if link.component is None:
        return ""
    names = link.component.names
    return names.device or names.kind or f"vendor {link.component.vendor_id} device {link.component.device_id}"


def _text(root: ET.Element, at: tuple[int, int], content: str, colour: str, *, bold: bool) -> None:
    attributes = {"x": str(at[0]), "y": str(at[1]), "fill": colour}
    if bold:
        attributes["font-weight"] = "bold"
    ET.SubElement(root, "text", attributes).text = content
