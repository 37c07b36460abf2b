"""The machine's links as pictures (SVG), by socket and memory node: each link coloured, dashed and labelled by a word.

Each link is a picture of its own, one below the other, so that a printed page can end between any two.
"""

import xml.etree.ElementTree as ET
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import kind_of, title
from probe.render import styles
from probe.render.html.drawing import line, picture, text
from probe.render.html.page import Chart
from probe.render.styles import Stroke
from probe.verdict.verdicts import Verdict

_ROW, _STEP, _LINE, _WIDTH = 30, 36, 200, 860
_MIDDLE = 22
_WIRE = "#70757a"
Node = tuple[int | None, int | None]
"""A socket and a memory node; None where the kernel tells of none."""


class Look(msgspec.Struct, frozen=True):
    """How a link is drawn, and what is said of it."""

    words: str
    stroke: Stroke


def by_verdict(link: LinkDocument) -> Look:
    """The look of an audit."""
    state = "" if link.verdict is Verdict.EMPTY else f" {link.negotiated}"
    return Look(f"{link.verdict}{state}", styles.PAGE[link.verdict])


def tree_pictures(
    links: Sequence[LinkDocument], sockets: Mapping[int, int], look: Callable[[LinkDocument], Look]
) -> tuple[Chart, ...]:
    """A picture for each memory node that has links, in order of the sockets."""
    groups: dict[Node, list[LinkDocument]] = defaultdict(list)
    roots = _nodes_of_roots(links)
    for link in links:
        node = roots[_root(link, roots)]
        groups[None if node is None else sockets.get(node), node].append(link)
    told = len(groups) > 1 or None not in next(iter(groups), (None, None))
    return tuple(
        Chart(_name(node) if told else "", "".join(_rows(members, look)))
        for node, members in sorted(groups.items(), key=lambda item: tuple((n is None, n or 0) for n in item[0]))
    )


def _nodes_of_roots(links: Sequence[LinkDocument]) -> dict[str, int | None]:
    """The memory node of each link at a root, by its place; what is below it belongs to it."""
    places = [link.place_id for link in links]
    return {
        link.place_id: link.numa_node
        for link in links
        if not any(link.place_id.startswith(f"{other}/") for other in places)
    }


def _root(link: LinkDocument, roots: Mapping[str, int | None]) -> str:
    return next(root for root in roots if link.place_id == root or link.place_id.startswith(f"{root}/"))


def _name(node: Node) -> str:
    socket = "socket not known" if node[0] is None else f"socket {node[0]}"
    memory = "memory node not known" if node[1] is None else f"memory node {node[1]}"
    return f"{socket}, {memory}".capitalize()


def _rows(links: Sequence[LinkDocument], look: Callable[[LinkDocument], Look]) -> Iterator[str]:
    """The links from the root down, each joined to the one above it."""
    listed = sorted(links, key=lambda link: link.place_id)
    depths = [_depth(link, listed) for link in listed]
    for number, link in enumerate(listed):
        yield _picture(link, look(link), depths[number], _going_on(depths, number))


def _depth(link: LinkDocument, listed: Sequence[LinkDocument]) -> int:
    return sum(link.place_id.startswith(f"{other.place_id}/") for other in listed)


def _going_on(depths: Sequence[int], number: int) -> tuple[bool, ...]:
    """Of each depth from 1 to that of the row and one more, whether its wire goes on below this row."""
    return tuple(
        next((depth == level for depth in depths[number + 1 :] if depth <= level), False)
        for level in range(1, depths[number] + 2)
    )


def _picture(link: LinkDocument, look: Look, depth: int, going_on: Sequence[bool]) -> str:
    told = ", ".join(filter(None, (kind_of(link), title(link))))
    root = picture(_WIDTH, _ROW, f"{look.words}: {told}", 12)
    wires = " ".join(_wires(depth, going_on))
    if wires:
        ET.SubElement(root, "path", {"d": wires, "fill": "none", "stroke": _WIRE})
    x = 8 + depth * _STEP
    thickness = 2 + min(link.negotiated.width or 1, 16) / 4
    line(root, (x, _MIDDLE), (x + _LINE, _MIDDLE), look.stroke, thickness)
    text(root, (x, _MIDDLE - 6), look.words, look.stroke.colour, bold=True)
    text(root, (x + _LINE + 10, _MIDDLE + 4), told, "#202124")
    return ET.tostring(root, encoding="unicode")


def _wires(depth: int, going_on: Sequence[bool]) -> Iterator[str]:
    """The wires seen in a row: the one that leads to its link, those that pass it, and the one that begins at it."""
    for level, goes_on in enumerate(going_on, start=1):
        x = 8 + (level - 1) * _STEP + 14
        if level == depth:
            yield f"M {x} 0 V {_MIDDLE} H {8 + depth * _STEP}"
        if goes_on:
            yield f"M {x} {_MIDDLE if level > depth else 0} V {_ROW}"
