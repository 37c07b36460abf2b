"""What one link carries, by its state, its payload sizes and the links above and below it."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Tree, card, machine, port, root_port, switch
from probe.audit.document import AuditDocument, LinkDocument
from probe.bandwidth.ceiling import carries, line_rate_bytes_s
from probe.evidence import Why
from probe.registers.device import DeviceControl
from probe.registers.link import LinkStatus2

One = Callable[[Machine | Tree], LinkDocument]
Judge = Callable[[Machine | Tree], AuditDocument]
ROOT, CARD = "0000:00:01.0", "0000:01:00.0"


def single(state: str, *, trained: str | None = None, payload: int = 256, **changes: object) -> Machine:
    below = card(state, trained=trained, payload=payload, **changes)
    return machine(root_port(ROOT, state, payload=payload).holds(below))


@pytest.mark.published("Intel 800 series datasheet and PCI-SIG: 8 GT/s x8 after 128b/130b is 63.0 Gbit/s, 7.877 GB/s")
def test_after_line_encoding(judge_one: One) -> None:
    link = judge_one(single("8 GT/s x8"))
    assert link.bandwidth.negotiated_bytes_s == pytest.approx(7.877e9, rel=1e-3)


def test_now_and_possible(judge_one: One) -> None:
    found = judge_one(single("16 GT/s x16", trained="8 GT/s x4")).bandwidth
    assert found.negotiated_bytes_s == line_rate_bytes_s(8.0, 4)
    assert found.possible_bytes_s == line_rate_bytes_s(16.0, 16)
    expected = carries(8.0, 4, 256, 512)
    assert found.ceiling_bytes_s.to_host == int(expected.to_host)
    assert found.ceiling_bytes_s.from_host == int(expected.from_host)
    assert found.read_floor_bytes_s == int(expected.read_floor)


def test_an_empty_port_carries_nothing_known(judge_one: One) -> None:
    found = judge_one(machine(root_port(ROOT, "16 GT/s x16", slot=1))).bandwidth
    assert (found.negotiated_bytes_s, found.ceiling_bytes_s.to_host, found.max_payload_size) == (None, None, None)


def behind_a_switch(*payloads: int, request: int = 512) -> Machine:
    root, up, down, end = payloads
    below = port("16 GT/s x4", payload=down).holds(card("16 GT/s x4", payload=end, read_request=request))
    return machine(root_port(ROOT, "16 GT/s x16", payload=root).holds(switch("16 GT/s x16", below, payload=up)))


@pytest.mark.parametrize(
    "payloads", [(128, 256, 256, 256), (256, 128, 256, 256), (256, 256, 128, 256), (256, 256, 256, 128)]
)
def test_the_payload_in_force_is_the_least_on_the_way(judge: Judge, payloads: tuple[int, ...]) -> None:
    """Base Specification, Max_Payload_Size: a packet may be no longer than any function on its way takes."""
    *_, link = judge(behind_a_switch(*payloads)).links
    assert link.bandwidth.max_payload_size == 128


def test_a_payload_that_was_not_read_on_the_way_leaves_it_unknown(judge: Judge) -> None:
    tree = behind_a_switch(256, 256, 256, 256).build().failing("0000:01:00.0", "config", Why.DENIED)
    *_, link = judge(tree).links
    assert link.bandwidth.max_payload_size is None
    assert link.bandwidth.ceiling_bytes_s.to_host is None
    assert link.bandwidth.negotiated_bytes_s == line_rate_bytes_s(16.0, 4)


def test_the_least_read_request_of_its_functions_counts(judge_one: One) -> None:
    two = card("8 GT/s x4", read_request=4096).also(read_request=128)
    assert judge_one(machine(root_port(ROOT, "8 GT/s x4").holds(two))).bandwidth.max_read_request_size == 128


def test_flit_mode(judge_one: One) -> None:
    flit = {LinkStatus2.flit_mode_status: True}
    described = machine(root_port(ROOT, "64 GT/s x16", registers=flit).holds(card("64 GT/s x16", registers=flit)))
    assert judge_one(described).bandwidth.flit_mode is True
    assert judge_one(single("8 GT/s x4")).bandwidth.flit_mode is False


def uplink(*below: str, best: str = "16 GT/s x8") -> Machine:
    ports = [port(state).holds(card(state)) for state in below]
    return machine(root_port(ROOT, best).holds(switch(best, *ports)))


@pytest.mark.parametrize(
    ("below", "times"),
    [(("16 GT/s x8",), 1.0), (("16 GT/s x8", "16 GT/s x8"), 2.0), (("8 GT/s x8", "16 GT/s x4", "16 GT/s x4"), 1.5)],
)
def test_how_many_times_over_an_uplink_could_be_filled(judge: Judge, below: tuple[str, ...], times: float) -> None:
    shared, *others = judge(uplink(*below)).links
    assert shared.oversubscription == times
    assert {link.oversubscription for link in others} == {None}


@pytest.mark.published(
    "Linux drivers/pci/pci.c, pcie_bandwidth_available: the least product on the way; a tie to the root"
)
@pytest.mark.parametrize(
    ("best", "below", "narrowest"),
    [("16 GT/s x8", "16 GT/s x4", 1), ("16 GT/s x4", "16 GT/s x8", 0), ("8 GT/s x8", "16 GT/s x4", 0),
     ("16 GT/s x8", "8 GT/s x16", 0)],
)  # fmt: skip
def test_the_narrowest_on_the_path(judge: Judge, best: str, below: str, narrowest: int) -> None:
    *_, link = judge(uplink(below, best=best)).links
    assert [step.narrowest for step in link.path] == [index == narrowest for index in range(2)]


def test_a_path_of_one_link_has_no_narrowest(judge_one: One) -> None:
    (step,) = judge_one(single("8 GT/s x4")).path
    assert (step.downstream_port, step.upstream_port, step.narrowest) == (ROOT, CARD, False)
    assert step.bytes_s == line_rate_bytes_s(8.0, 4)


def test_a_link_of_the_path_that_was_not_read_is_not_the_narrowest(judge: Judge) -> None:
    tree = uplink("16 GT/s x4", best="16 GT/s x8").build()
    for address in (ROOT, "0000:01:00.0"):
        for name in ("config", "current_link_speed", "current_link_width"):
            tree = tree.failing(address, name, Why.DENIED)
    *_, link = judge(tree).links
    assert [(step.bytes_s is None, step.narrowest) for step in link.path] == [(True, False), (False, True)]


def test_the_size_of_payloads_in_words() -> None:
    assert DeviceControl.max_payload_size.text(0x2910) == "128 bytes"
