"""The eye of a lane on a screen and a page: inside is what every step reached, on one scale for all lanes."""

import io
import xml.etree.ElementTree as ET
from pathlib import Path

import msgspec
import pytest
from rich.console import Console

from fake_sysfs.hardware.rehearsed import demonstration
from probe.active.margining.document import LaneMargin, MarginDocument, ReceiverMargin, Side
from probe.render.eyes import eyes
from probe.render.html.eye_picture import eye_picture
from probe.render.renderers import Medium, renderer
from probe.render.terminal.margin import diamond_row
from tests.conftest import Run


@pytest.fixture(scope="module")
def document() -> MarginDocument:
    return demonstration().document


def side(steps: int, *, at_least: bool = False) -> Side:
    return Side(steps=steps, at_least=at_least, of_steps=16)


def receiver(*lanes: LaneMargin) -> ReceiverMargin:
    return ReceiverMargin(number=1, name="Downstream Port", lanes=lanes)


def test_all_lanes_have_one_scale() -> None:
    wide = LaneMargin(lane=0, left=side(16), right=side(8), up=side(4), down=side(4))
    found = eyes(receiver(wide, LaneMargin(lane=1, both_sides=side(4), both_levels=side(2))))
    assert [(eye.left, eye.right, eye.up, eye.down) for eye in found] == [(1.0, 0.5, 1.0, 1.0), (0.25, 0.25, 0.5, 0.5)]


def test_a_way_that_was_not_measured_is_not_drawn_as_shut_or_open() -> None:
    (eye,) = eyes(receiver(LaneMargin(lane=0, left=side(16))))
    assert (eye.right, eye.up) == (None, None)
    assert diamond_row(eye, 0) == "####+...."
    assert diamond_row(eye, 1) == "........."


def test_the_demonstration_names_its_odd_lane_and_nothing_else(document: MarginDocument) -> None:
    (link,) = document.links
    assert {(item.receiver, item.lane) for item in link.odd_lanes} == {(1, 11)}
    assert (document.result.value, document.restored) == ("failed", True)


@pytest.mark.parametrize("width", [80, 120])
def test_sixteen_lanes_fit_the_screen(document: MarginDocument, width: int) -> None:
    out = io.StringIO()
    renderer(document, Medium.TERMINAL)(document, Console(file=out, width=width, markup=False, highlight=False))
    lines = out.getvalue().splitlines()
    assert max(map(len, (line.rstrip() for line in lines))) <= width
    assert sum("lane 15" in line for line in lines) == 2  # one eye of it a receiver


def test_the_picture_has_a_frame_and_a_reach_for_each_lane(document: MarginDocument) -> None:
    drawn = eyes(document.links[0].receivers[0])
    root = ET.fromstring(eye_picture(drawn, frozenset({11})))  # noqa: S314 - our own
    assert len(root.findall("{*}polygon")) == 2 * 16
    assert "lane 11, odd" in [text.text for text in root.findall("{*}text")]


def test_a_saved_document_becomes_a_page(document: MarginDocument, run: Run, tmp_path: Path) -> None:
    saved, page = tmp_path / "margin.json", tmp_path / "margin.html"
    saved.write_bytes(msgspec.json.encode(document))
    assert run("report", str(saved), "-o", str(page))[0] == 0
    assert page.read_text().count("<svg") == 2
