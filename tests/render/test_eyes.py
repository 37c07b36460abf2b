"""The eye of a lane on a screen and a page: inside is what every step reached, on one scale for all lanes."""

import io
import xml.etree.ElementTree as ET
from functools import partial
from pathlib import Path

import msgspec
import pytest
from rich.console import Console

from fake_sysfs.hardware.rehearsed import demonstration
from probe.active.margining.capabilities import Capabilities
from probe.active.margining.document import LaneMargin, MarginDocument, ReceiverMargin, Side
from probe.render.eyes import bits_say, eyes, scale
from probe.render.html.eye_picture import eye_picture
from probe.render.renderers import Medium, renderer
from probe.render.terminal.eye import BLOCKS, COLUMNS, PLAIN, ROWS, diamond
from tests.conftest import Run


@pytest.fixture(scope="module")
def document() -> MarginDocument:
    return demonstration().document


def side(steps: int, *, at_least: bool = False) -> Side:
    return Side(steps=steps, at_least=at_least, of_steps=16)


CAN = partial(
    Capabilities, independent_levels=True, independent_sides=True, rate=False, independent_sampler=True, timing_steps=16
)


def receiver(*lanes: LaneMargin, can: Capabilities | None = None) -> ReceiverMargin:
    return ReceiverMargin(number=1, name="Downstream Port", lanes=lanes, capabilities=can)


def test_all_lanes_have_one_scale() -> None:
    wide = LaneMargin(lane=0, left=side(16), right=side(8), up=side(4), down=side(4))
    found = eyes(receiver(wide, LaneMargin(lane=1, both_sides=side(4), both_levels=side(2))))
    assert [(eye.left, eye.right, eye.up, eye.down) for eye in found] == [(1.0, 0.5, 1.0, 1.0), (0.25, 0.25, 0.5, 0.5)]


def test_a_way_that_was_not_measured_is_drawn_neither_shut_nor_open() -> None:
    (eye,) = eyes(receiver(LaneMargin(lane=0, left=side(16), up=side(16), down=side(16))))
    assert (eye.right, eye.steps) == (None, ("16 | ?", "16 | 16"))
    middle = diamond(eye, PLAIN)[ROWS // 2]
    assert middle.startswith("####")
    assert middle.endswith("?")
    assert "#" not in middle[COLUMNS // 2 :]


def test_a_receiver_without_voltage_has_a_flat_eye() -> None:
    (eye,) = eyes(receiver(LaneMargin(lane=0, both_sides=side(16)), can=CAN(voltage=False)))
    rows = diamond(eye, PLAIN)
    assert [bool(row.strip()) for row in rows] == [False, False, True, False, False]
    assert "?" not in "".join(rows)


@pytest.mark.parametrize("characters", [BLOCKS, PLAIN])
@pytest.mark.parametrize("steps", range(17))
def test_a_drawing_is_as_wide_as_the_margin(characters: str, steps: int) -> None:
    """To a quarter of a character each way, in a drawing eight wide; the widest fills it, and a shut eye is a point."""
    wide = LaneMargin(lane=0, left=side(16), right=side(16), up=side(16), down=side(16))
    other = LaneMargin(lane=1, left=side(steps), right=side(steps), up=side(16), down=side(16))
    _, eye = eyes(receiver(wide, other))
    filled = sum(character != " " for character in diamond(eye, characters)[ROWS // 2])
    assert abs(filled - COLUMNS * steps / 16) <= 2
    assert filled >= 1


def test_where_the_range_ended_it_is_said() -> None:
    ended = LaneMargin(lane=0, left=side(16, at_least=True), right=side(4), up=side(3), down=side(2))
    (eye,) = eyes(receiver(ended))
    assert (eye.open_ended, eye.steps[0]) == (frozenset({"left"}), "16+ | 4")
    root = ET.fromstring(eye_picture([eye], frozenset()))  # noqa: S314 - our own
    assert len(root.findall("{*}polyline")) == 1


def test_the_scale_and_what_the_bits_say_stand_beside_the_eyes(document: MarginDocument) -> None:
    port = document.links[0].receivers[0]
    assert scale(port).sentence().endswith("11 steps (0.275 UI) to a side, 31 steps (58 mV) up or down")
    assert "below 2.2e-10" in (bits_say(port) or "")


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
    assert all("lane 7" in line for line in lines if "lane 0 " in line)  # eight beside each other


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
