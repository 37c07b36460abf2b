"""A function below no port: given to a machine without its port, or integrated into the root complex."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Port, Tree, card, root_port
from probe.audit.document import AuditDocument
from probe.evidence import Why

Judge = Callable[[Machine | Tree], AuditDocument]
AT = "0000:00:05.0"
LINK_FILES = ("max_link_speed", "max_link_width", "current_link_speed", "current_link_width")


def alone(*ports: Port) -> Tree:
    return Machine(ports=ports, on_root_bus=((AT, card("16 GT/s x4")),)).build()


def ends(document: AuditDocument) -> list[tuple[str | None, str | None]]:
    return [(link.downstream_port, link.upstream_port) for link in document.links]


def unread(tree: Tree, why: Why) -> Tree:
    for name in ("config", *LINK_FILES):
        tree = tree.failing(AT, name, why)
    return tree


@pytest.mark.parametrize(("width", "a_link"), [("4", True), ("16", True), ("0", False), ("255", False)])
def test_its_width_tells(width: str, *, a_link: bool, judge: Judge) -> None:
    """Linux drivers/pci/pci.c, pcie_get_width_cap: 0 or 255 where there are no link registers."""
    tree = alone().unprivileged().with_attribute(AT, "max_link_width", width)
    assert ends(judge(tree)) == ([(None, AT)] if a_link else [])


def test_one_that_sleeps_came_alone_where_no_port_stands_beside_it(judge: Judge) -> None:
    assert ends(judge(unread(alone(), Why.ASLEEP))) == [(None, AT)]
    beside = root_port("0000:00:01.0", "8 GT/s x4", slot=1)
    assert ends(judge(unread(alone(beside), Why.ASLEEP))) == [("0000:00:01.0", None)]
    elsewhere = root_port("0001:00:01.0", "8 GT/s x4", slot=1)
    assert set(ends(judge(unread(alone(elsewhere), Why.ASLEEP)))) == {(None, AT), ("0001:00:01.0", None)}


def test_one_whose_files_failed_is_not_taken_for_a_link(judge: Judge) -> None:
    assert ends(judge(unread(alone(), Why.FAILED))) == []


def test_functions_of_one_device_are_one_link(judge: Judge) -> None:
    tree = Machine(on_root_bus=((AT, card("16 GT/s x4").also()), ("0000:00:06.0", card("8 GT/s x4")))).build()
    document = judge(tree)
    assert ends(document) == [(None, AT), (None, "0000:00:06.0")]
    first = document.links[0].component
    assert first is not None
    assert first.functions == (AT, "0000:00:05.1")
