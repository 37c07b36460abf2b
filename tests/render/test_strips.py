"""Strips and the picture of the machine: what is drawn where, and that colour is never the only carrier."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fake_sysfs import card, machine, port, root_port, switch
from probe.links.state import LinkState
from probe.observe.events import LinkEvent, LinkEventKind
from probe.render import styles
from probe.render.html.strip import OTHER_WAY, WAYS, Frame, strip
from probe.render.html.ticks import ticks
from probe.render.html.tree_picture import by_verdict, tree_pictures
from probe.soak.course import Course, ErrorSpan, StateSpan, ValueSpan
from tests.compare.machines import snapshot

BEST, LESS = LinkState(16.0, 4), LinkState(8.0, 4)
FRAME = Frame(title="slot 1", best=BEST, ceiling_bytes_s=7_000_000_000, end_s=100.0, counted=True)
COURSE = Course(
    states=(StateSpan(0.0, 40.0, BEST), StateSpan(60.0, 90.0, LESS), StateSpan(90.0, 100.0, None)),
    rates={"to host": (ValueSpan(0.0, 40.0, 1e9, 2e9, 3e9), ValueSpan(60.0, 100.0, 4e9, 4e9, 4e9))},
    errors=(ErrorSpan(70.0, 71.0, 4, 0), ErrorSpan(80.0, 81.0, 0, 1)),
    heat=(ValueSpan(0.0, 100.0, 40.0, 45.0, 50.0),),
    events=(LinkEvent(t=60.0, place_id="x", kind=LinkEventKind.GONE, sentence="gone", bad=True),),
)


def drawn(course: Course = COURSE, frame: Frame = FRAME) -> ET.Element:
    return ET.fromstring(strip(course, frame))  # noqa: S314 - our own


def tags(root: ET.Element, tag: str) -> list[ET.Element]:
    return [element for element in root.iter() if element.tag.rpartition("}")[2] == tag]


def words(root: ET.Element) -> list[str]:
    return [element.text or "" for element in tags(root, "text")]


def test_the_axis_goes_over_the_whole_run() -> None:
    told = words(drawn())
    assert {"0", "50 s", "100 s"} <= set(told)
    assert {"state", "GB/s", "errors", "°C", "4", "40", "50", "1 uncorrectable", "5"} <= set(told)


def test_a_state_below_the_best_is_lower_and_says_so() -> None:
    boxes = tags(drawn(), "rect")[:3]
    heights = [float(box.get("height", 0)) for box in boxes]
    assert heights[0] == pytest.approx(2 * heights[1])
    assert heights[2] < heights[1]
    assert {"16 GT/s x4", "8 GT/s x4"} <= set(words(drawn()))


def test_nothing_is_drawn_where_nobody_looked() -> None:
    """40 to 60 s: no box, and the curve is broken."""
    root = drawn()
    x_40, x_60 = 86 + 760 * 0.4, 86 + 760 * 0.6
    for box in tags(root, "rect"):
        left, right = float(box.get("x", 0)), float(box.get("x", 0)) + float(box.get("width", 0))
        assert right <= x_40 + 0.1 or left >= x_60 - 0.1
    rate = [line.get("points", "") for line in tags(root, "polyline")][:2]
    assert [{float(point.split(",")[0]) for point in points.split()} for points in rate] == [
        {86.0, x_40},
        {x_60, 846.0},
    ]


def test_an_event_that_fails_goes_through_all() -> None:
    (event,) = (line for line in tags(drawn(), "line") if line.get("stroke-dasharray") == "3 2")
    assert float(event.get("x1", 0)) == 86 + 760 * 0.6
    assert float(event.get("y2", 0)) > 100


def test_what_was_not_measured_or_counted_is_said() -> None:
    told = words(drawn(Course(), FRAME))
    assert told.count("not measured") == 2
    assert "none" in told
    assert "cannot be counted on this machine" in words(drawn(Course(), Frame(
        title="x", best=BEST, ceiling_bytes_s=None, end_s=1.0, counted=False
    )))  # fmt: skip


def test_ways_differ_in_their_dashes() -> None:
    dashes = [stroke.dashes for stroke in (*WAYS.values(), OTHER_WAY)]
    assert len(set(dashes)) == len(dashes)


def test_results_differ_in_their_dashes() -> None:
    dashes = [stroke.dashes for stroke in (*styles.RESULT_STROKES.values(), styles.NOT_TESTED)]
    assert len(set(dashes)) == len(dashes)


@given(st.floats(0.01, 1e8))
def test_every_axis_has_few_marks_within_the_run(end_s: float) -> None:
    marks = ticks(end_s)
    assert 1 <= len(marks) <= 12
    assert all(0 <= mark.t <= end_s for mark in marks)
    assert len({mark.label for mark in marks}) == len(marks)


@pytest.mark.parametrize(
    ("end_s", "last"), [(100.0, "100 s"), (3600.0, "60 min"), (86_400.0, "24 h"), (604_800.0, "7 d")]
)
def test_marks_are_in_the_unit_of_a_person(end_s: float, last: str) -> None:
    assert ticks(end_s)[-1].label == last


def test_the_machine_by_socket_and_memory_node() -> None:
    ports = [
        root_port(f"0000:{16 * (node + 1):02x}:01.0", "16 GT/s x4", slot=node + 2, numa_node=node).holds(
            card("16 GT/s x4", numa_node=node)
        )
        for node in (3, 0, -1)
    ]
    described = replace(machine(*ports), sockets={0: 0, 3: 1})
    taken = snapshot(described)
    found = tree_pictures(taken.links, taken.evidence.host.sockets, by_verdict)
    assert [chart.title for chart in found] == [
        "Socket 0, memory node 0", "Socket 1, memory node 3", "Socket not known, memory node not known",
    ]  # fmt: skip
    assert tree_pictures(taken.links, {}, by_verdict)[0].title == "Socket not known, memory node 0"


def test_each_link_is_a_picture_of_its_own_joined_to_the_one_above() -> None:
    inner = [port("16 GT/s x4").holds(card("16 GT/s x4")) for _ in range(2)]
    described = machine(
        root_port("0000:00:01.0", "16 GT/s x16", slot=1).holds(switch("16 GT/s x16", *inner)),
        root_port("0000:00:02.0", "16 GT/s x4", slot=2).holds(card("16 GT/s x4", trained="8 GT/s x4")),
    )
    (chart,) = tree_pictures(snapshot(described).links, {}, by_verdict)
    rows = [f"<svg{part}" for part in chart.svg.split("<svg")[1:]]
    wires = [element.get("d") for row in rows for element in tags(ET.fromstring(row), "path")]  # noqa: S314 - our own
    assert len(rows) == 4
    assert wires == ["M 22 22 V 30", "M 22 0 V 22 H 44 M 22 0 V 30", "M 22 0 V 22 H 44"]
    labels = [ET.fromstring(row).get("aria-label", "") for row in rows]  # noqa: S314 - our own
    assert labels[-1].startswith("downtrained 8 GT/s x4: ")
