"""Build, read, decode: what was described is what is found."""

from collections.abc import Iterator

from hypothesis import given

from fake_sysfs import Component, Machine, Port
from fake_sysfs.description import State
from probe.audit.audit import audit
from probe.host.machine import read_machine
from probe.links.state import LinkState
from tests.laws.machines import machines
from tests.search import search

Row = tuple[tuple[float, int], tuple[float, int], str]
NOTHING = (0.0, 0)


def described_links(ports: tuple[Port, ...]) -> Iterator[tuple[Port, Component | None]]:
    for item in ports:
        yield item, item.below
        if item.below is not None:
            yield from described_links(item.below.ports)


def found_state(state: LinkState) -> tuple[float, int]:
    return state.speed_gts or 0.0, state.width or 0


def described_state(state: State | None) -> tuple[float, int]:
    return NOTHING if state is None else (state.speed_gts, state.width)


def row(item: Port, below: Component | None) -> Row:
    if below is None:
        return described_state(item.function.best), NOTHING, ""
    first = below.functions[0]
    asleep = first.power_state != "D0"  # its config space is left alone, so its serial number is not known
    serial = "" if first.serial is None or asleep else first.serial.to_bytes(8, "big").hex("-")
    return described_state(item.function.best), described_state(first.best), serial


@search(100)
@given(machines())
def test_links_come_back(described: Machine) -> None:
    found = audit(read_machine(described.build().source())).links
    rows = [
        (found_state(x.port_best), found_state(x.component_best), (x.component and x.component.serial) or "")
        for x in found
    ]
    assert sorted(rows) == sorted(row(*item) for item in described_links(described.ports))
