"""A verdict does not change with the order of functions, the depth of the path, or devices that have no part in it."""

from dataclasses import replace
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from fake_sysfs import Component, Machine, Tree, card, machine, port, root_port, switch
from probe.audit.audit import audit
from probe.audit.document import LinkDocument
from probe.host.machine import read_machine
from probe.verdict.verdicts import Verdict
from tests.laws.machines import cards, machines, states
from tests.search import search


def links(tree: Tree) -> tuple[LinkDocument, ...]:
    return audit(read_machine(tree.source())).links


@search(60)
@given(machines(), st.randoms(use_true_random=False))
def test_order_of_functions(described: Machine, order: Random) -> None:
    tree = described.build()
    assert links(tree) == links(tree.shuffled(order))


def essence(link: LinkDocument) -> tuple[object, ...]:
    return link.verdict, link.shortfall, link.negotiated, link.possible, link.alarming


@search(60)
@given(states, cards(), st.integers(0, 4))
def test_depth_of_the_path(best: str, below: Component, depth: int) -> None:
    shallow = links(machine(root_port("0000:00:01.0", best).holds(below)).build())[-1]
    held = port(best).holds(below)
    for _ in range(depth):
        held = port("32 GT/s x16").holds(switch("32 GT/s x16", held, vendor=0xABCD))
    top = replace(root_port("0000:00:01.0", "32 GT/s x16"), below=switch("32 GT/s x16", held, vendor=0xABCD))
    assert essence(links(machine(top).build())[-1])[:4] == essence(shallow)[:4]


@search(60)
@given(machines(), st.integers(1, 3))
def test_unrelated_devices(described: Machine, extra: int) -> None:
    others = tuple(root_port(f"0001:00:{n:02x}.0", "8 GT/s x4").holds(card("8 GT/s x4")) for n in range(1, extra + 1))
    before = links(described.build())
    after = links(replace(described, ports=(*described.ports, *others)).build())
    assert [essence(link) for link in after[: len(before)]] == [essence(link) for link in before]
    assert all(link.verdict is Verdict.FULL for link in after[len(before) :])


@search(150)
@given(machines())
def test_possible_is_never_below_negotiated_unless_said(described: Machine) -> None:
    for link in links(described.build()):
        now, best = link.negotiated, link.possible
        if now.speed_gts is None or now.width is None or best.speed_gts is None or best.width is None:
            continue
        if now.speed_gts > best.speed_gts or now.width > best.width:
            assert any("contradicts itself" in reason.meaning for reason in link.reasons)


@search(60)
@given(machines())
def test_renumbering_the_buses(described: Machine) -> None:
    before = [essence(link) for link in links(described.build())]
    after = [essence(link) for link in links(replace(described, skipped_buses=20).build())]
    assert before == after
