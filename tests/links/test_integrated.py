"""Integrated endpoints are no links; CXL 1.1 devices, which look like one, are: as root and as an ordinary user."""

from collections.abc import Callable

import pytest

from fake_sysfs import Component, Machine, Tree, card, root_port
from probe.audit.document import AuditDocument
from probe.kernel_spellings import NO_LINK_WIDTHS
from probe.verdict.verdicts import Verdict

Judge = Callable[[Machine | Tree], AuditDocument]
AT = "0000:00:1f.0"


def seen_by(tree: Tree, *, root: bool) -> Tree:
    return tree if root else tree.unprivileged()


def on_root_bus(component: Component) -> Tree:
    port = root_port("0000:00:01.0", "16 GT/s x4", slot=1).holds(card("16 GT/s x4"))
    return Machine(ports=(port,), on_root_bus=((AT, component),)).build()


@pytest.mark.published(
    "Linux drivers/pci/pci.c 6.12, pcie_get_width_cap; pcie_capability_read_word gives 0 where there is none"
)
@pytest.mark.parametrize("root", [True, False])
@pytest.mark.parametrize("width", sorted(NO_LINK_WIDTHS))
def test_an_integrated_endpoint_is_no_link(width: str, *, root: bool, judge: Judge) -> None:
    tree = on_root_bus(card("2.5 GT/s x1", integrated=True).also(class_code=0x040300))
    for address in (AT, "0000:00:1f.1"):
        tree = tree.with_attribute(address, "max_link_width", width)
    document = judge(seen_by(tree, root=root))
    assert [link.downstream_port for link in document.links] == ["0000:00:01.0"]


@pytest.mark.parametrize("root", [True, False])
def test_an_endpoint_with_a_hidden_port_is_a_link(*, root: bool, judge: Judge) -> None:
    document = judge(seen_by(on_root_bus(card("16 GT/s x16")), root=root))
    assert [link.upstream_port for link in document.links] == ["0000:01:00.0", AT]


def cxl(capabilities: str, status: str) -> Tree:
    files: dict[str, str | None] = {"rcd_link_cap": capabilities, "rcd_link_ctrl": "40", "rcd_link_status": status}
    return on_root_bus(card("2.5 GT/s x1", integrated=True, class_code=0x050210, attributes=files))


@pytest.mark.published("Linux commit c5eaec79fa43: Link Capabilities and Link Status of the device, in hexadecimal")
@pytest.mark.parametrize("root", [True, False])
@pytest.mark.parametrize(
    ("status", "verdict", "shortfall"),
    [
        ("1085", Verdict.FULL, ()),
        ("1084", Verdict.UNJUDGED, ("speed",)),
        ("1045", Verdict.UNJUDGED, ("width",)),
        ("1041", Verdict.UNJUDGED, ("speed", "width")),
    ],
)
def test_a_cxl_1_1_device_is_a_link(
    status: str, verdict: Verdict, shortfall: tuple[str, ...], *, root: bool, judge: Judge
) -> None:
    """32 GT/s x8: the port above it is no PCI function, so it is judged from its own end."""
    link = judge(seen_by(cxl("423c85", status), root=root)).links[-1]
    assert (link.downstream_port, link.upstream_port) == (None, AT)
    assert (link.component_best.speed_gts, link.component_best.width) == (32.0, 8)
    assert (link.verdict, link.shortfall) == (verdict, shortfall)
    assert "keeps its port in memory" in link.reasons[0].meaning


@pytest.mark.parametrize("root", [True, False])
def test_a_cxl_1_1_device_that_tells_nothing_does_not_alarm(*, root: bool, judge: Judge) -> None:
    link = judge(seen_by(cxl("0", "0"), root=root)).links[-1]
    assert (link.verdict, link.shortfall, link.alarming) == (Verdict.UNJUDGED, (), False)
    tree = seen_by(cxl("423c85", "1085"), root=root).failing(AT, "rcd_link_cap").failing(AT, "rcd_link_status")
    unread = judge(tree).links[-1]
    assert (unread.upstream_port, unread.verdict, unread.alarming) == (AT, Verdict.UNJUDGED, False)
