"""The filter on one port's events, and that a kernel without them says nothing. That it counts: tests/guest."""

from pathlib import Path

import pytest

from probe.observe.link_events import LinkEvents, filter_of

# As the kernel writes the format of a trace event (Documentation/trace/events.rst); the fields of this one from memory.
FORMAT = """name: pcie_link_event
ID: 701
format:
\tfield:unsigned short common_type;\toffset:0;\tsize:2;\tsigned:0;
\tfield:int common_pid;\toffset:4;\tsize:4;\tsigned:1;

\tfield:__data_loc char[] port_name;\toffset:8;\tsize:4;\tsigned:0;
\tfield:unsigned int reason;\toffset:12;\tsize:4;\tsigned:0;

print fmt: "%s reason:%u", __get_str(port_name), REC->reason
"""
PORT = "0000:00:01.0"


def test_the_filter_names_the_port_by_the_text_field_of_the_event() -> None:
    assert filter_of(FORMAT, PORT) == f'port_name == "{PORT}"'
    assert filter_of(FORMAT.replace("port_name", "bridge"), PORT) == f'bridge == "{PORT}"'
    assert filter_of("name: other\nformat:\n", PORT) is None


def test_a_kernel_without_the_event_says_nothing(tmp_path: Path) -> None:
    events = LinkEvents(PORT, (tmp_path,))
    assert (events.offered, events.count()) == (False, None)
    events.close()


@pytest.mark.parametrize("written", [{"id": "no number"}, {"format": "no text field"}, {"id": "4294967295"}])
def test_an_event_that_cannot_be_counted_says_nothing(tmp_path: Path, written: dict[str, str]) -> None:
    place = tmp_path / "events/pci/pcie_link_event"
    place.mkdir(parents=True)
    for name, text in {"id": "1", "format": FORMAT, **written}.items():
        (place / name).write_text(text)
    assert LinkEvents(PORT, (tmp_path,)).count() is None
