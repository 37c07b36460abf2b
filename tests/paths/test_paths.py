"""Ways between devices, each case a machine described."""

import json
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from fake_sysfs import Component, Machine, Port, Tree, card, machine, port, root_port, switch
from fake_sysfs.demonstration import correlator
from probe.evidence import Evidence
from probe.exceptions import InputError, NothingToJudge
from probe.host.machine import read_machine
from probe.paths.document import Kind, Pair, Paths, Turn
from probe.paths.paths import paths
from probe.registers.function import AcsControl
from probe.registers.table_language import Field
from probe.render.paths_words import PROTECTS, remarks
from probe.render.renderers import draw
from tests.conftest import Run
from tests.laws.masks import masked
from tests.search import search

KERNEL = "Linux drivers/pci/p2pdma.c, pci_bridge_has_acs_redir and calc_map_type_and_dist (6.12)"
DOCUMENT = "Linux Documentation/driver-api/pci/p2pdma.rst"
ACCELERATOR, THREE_D, VGA, NETWORK, DRIVE = 0x120000, 0x030200, 0x030000, 0x020000, 0x010802
Bits = dict[Field[Any], Any]
SWITCH_AT, ONE, OTHER = "0000:01:00.0", "0000:03:00.0", "0000:04:00.0"


def accelerator(best: str = "16 GT/s x16", **changes: Any) -> Component:
    return card(best, class_code=ACCELERATOR, **changes)


def below_a_switch(
    one: Bits | None = None, other: Bits | None = None, *, uplink: str = "16 GT/s x16", above: Bits | None = None
) -> Machine:
    """Two accelerators below one switch, with ACS bits at its two ports and at the Root Port above it."""
    return machine(
        root_port("0000:00:01.0", uplink, registers=above or {}).holds(
            switch(
                uplink,
                port("16 GT/s x16", registers=one or {}).holds(accelerator()),
                port("16 GT/s x8", registers=other or {}).holds(accelerator()),
            )
        )
    )


def ways(described: Machine | Tree, *words: str) -> Paths:
    tree = described.build() if isinstance(described, Machine) else described
    return paths(read_machine(tree.source()), words)


def only(described: Machine | Tree) -> Pair:
    (pair,) = ways(described).pairs
    return pair


@pytest.mark.published(DOCUMENT)
def test_below_one_switch_they_talk_at_it() -> None:
    pair = only(below_a_switch())
    assert (pair.one, pair.other, pair.turn, pair.at) == (ONE, OTHER, Turn.SWITCH, SWITCH_AT)
    assert pair.narrowest is not None
    assert str(pair.narrowest.negotiated) == "16 GT/s x8"
    assert [step.upstream_port for step in pair.steps] == [ONE, OTHER]


@pytest.mark.published(KERNEL)
@pytest.mark.parametrize("side", ["one", "other"])
@pytest.mark.parametrize("bit", [
    AcsControl.acs_p2p_request_redirect, AcsControl.acs_p2p_completion_redirect, AcsControl.acs_p2p_egress_control,
])  # fmt: skip
def test_bits_that_send_it_by_the_root(bit: Field[bool], side: str) -> None:
    pair = only(below_a_switch({bit: True}) if side == "one" else below_a_switch(None, {bit: True}))
    assert pair.turn is Turn.REDIRECTED
    (port_,) = [item for item in pair.isolation if item.redirects]
    assert port_.port == {"one": "0000:02:00.0", "other": "0000:02:01.0"}[side]


@pytest.mark.published(KERNEL)
@pytest.mark.parametrize("bit", [
    AcsControl.acs_source_validation, AcsControl.acs_translation_blocking, AcsControl.acs_upstream_forwarding,
    AcsControl.acs_translated_p2p,
])  # fmt: skip
def test_bits_that_do_not(bit: Field[bool]) -> None:
    assert only(below_a_switch({bit: True}, {bit: True})).turn is Turn.SWITCH


@pytest.mark.published(KERNEL)
def test_a_port_above_the_meeting_point_does_not_count() -> None:
    assert only(below_a_switch(above={AcsControl.acs_p2p_request_redirect: True})).turn is Turn.SWITCH


@pytest.mark.published(KERNEL)
def test_an_inner_switch_on_the_way_counts() -> None:
    redirecting = port("16 GT/s x8", registers={AcsControl.acs_p2p_request_redirect: True}).holds(accelerator())
    inner = switch("16 GT/s x8", redirecting)
    outer = switch("16 GT/s x16", port("16 GT/s x8").holds(inner), port("16 GT/s x8").holds(accelerator()))
    pair = only(machine(root_port("0000:00:01.0", "16 GT/s x16").holds(outer)))
    assert (pair.turn, pair.at) == (Turn.REDIRECTED, SWITCH_AT)
    assert len(pair.isolation) == 4  # two ports of the inner switch, and those of the outer one


def test_what_is_redirected_goes_up_and_down_the_uplink() -> None:
    bits: Bits = {AcsControl.acs_p2p_request_redirect: True}
    direct, round_about = only(below_a_switch(uplink="8 GT/s x4")), only(below_a_switch(bits, uplink="8 GT/s x4"))
    assert direct.ceiling_bytes_s is not None
    assert round_about.ceiling_bytes_s is not None
    assert direct.ceiling_bytes_s > 2 * round_about.ceiling_bytes_s
    assert [step.downstream_port for step in round_about.steps].count("0000:00:01.0") == 2


def two_roots(**changes: Any) -> Machine:
    return machine(
        root_port("0000:00:01.0", "16 GT/s x16").holds(accelerator()),
        root_port("0000:80:01.0", "16 GT/s x8").holds(card("16 GT/s x8", **{"class_code": NETWORK, **changes})),
    )


@pytest.mark.published(DOCUMENT)
def test_below_two_root_ports_they_need_the_root_complex() -> None:
    pair = only(two_roots(numa_node=1))
    assert (pair.turn, pair.at, pair.isolation) == (Turn.ROOT, None, ())
    assert (pair.same_node, pair.same_root, pair.same_group) == (False, False, None)
    assert str(pair.narrowest.negotiated if pair.narrowest else None) == "16 GT/s x8"


def test_nodes_that_the_kernel_does_not_know_are_not_the_same() -> None:
    assert only(two_roots(numa_node=-1)).same_node is None


def grouped_by_iommu(tree: Tree, *groups: str) -> Tree:
    places = [path for path in tree.links if path.startswith("sys/bus/pci/devices/")]
    devices = [next(path for path in places if path.endswith(address)) for address in ("0000:01:00.0", "0000:81:00.0")]
    links = {
        f"sys/devices/{tree.links[path].partition('devices/')[2]}/iommu_group": f"../../../kernel/iommu_groups/{group}"
        for path, group in zip(devices, groups, strict=True)
    }
    return replace(tree, links={**tree.links, **links})


@pytest.mark.parametrize(("groups", "same"), [(("7", "7"), True), (("7", "9"), False)])
def test_groups_of_the_iommu(groups: tuple[str, str], same: bool) -> None:
    assert only(grouped_by_iommu(two_roots().build(), *groups)).same_group is same


def test_what_was_not_read_turns_nowhere() -> None:
    pair = only(below_a_switch().build().unprivileged())
    assert (pair.turn, pair.ceiling_bytes_s) == (Turn.UNKNOWN, None)


def test_ports_of_a_virtual_machine_are_not_the_real_ones() -> None:
    emulated = machine(*(
        root_port(f"0000:00:0{number}.0", "2.5 GT/s x1", trained="2.5 GT/s x1").holds(
            accelerator(trained="32 GT/s x16", best="32 GT/s x16")
        )
        for number in (1, 2)
    ))  # fmt: skip
    tree = emulated.build()
    for address in ("0000:01:00.0", "0000:02:00.0"):
        tree = tree.with_attribute(address, "current_link_speed", "32.0 GT/s PCIe")
        tree = tree.with_attribute(address, "current_link_width", "16")
    assert only(tree.unprivileged()).turn is Turn.HIDDEN


@pytest.mark.parametrize(("code", "kind"), [
    (ACCELERATOR, Kind.ACCELERATOR), (THREE_D, Kind.ACCELERATOR), (VGA, Kind.DISPLAY), (NETWORK, Kind.NETWORK),
    (0x020700, Kind.NETWORK), (DRIVE, Kind.DRIVE), (0x010700, Kind.DRIVE),
])  # fmt: skip
def test_kinds_of_devices(code: int, kind: Kind) -> None:
    assert ways(two_roots(class_code=code)).devices[1].kind is kind


@pytest.mark.parametrize("code", [0x0C0330, 0x118000, 0x060400])
def test_what_is_no_such_device(code: int) -> None:
    with pytest.raises(NothingToJudge, match="holds fewer than two accelerators"):
        ways(two_roots(class_code=code))


def test_only_pairs_that_were_asked_for() -> None:
    everything = ways(correlator())
    assert len(everything.pairs) == 10 * 9 // 2
    assert {pair.one for pair in ways(correlator(), "0000:81:00.0").pairs} | {"0000:81:00.0"} == {
        pair.one for pair in everything.pairs if "0000:81:00.0" in {pair.one, pair.other}
    } | {"0000:81:00.0"}  # fmt: skip
    assert len(ways(correlator(), "accelerator", "network").pairs) == 2 * 2
    assert [(pair.one, pair.other) for pair in ways(correlator(), "21", "22").pairs] == [
        ("0000:09:00.0", "0000:0a:00.0")
    ]
    with pytest.raises(InputError, match="--between abacus"):
        ways(correlator(), "abacus")


def many() -> Machine:
    """Eight switches, each with an accelerator, an adapter and three drives: 780 pairs."""

    def group(number: int) -> Port:
        below = [card("16 GT/s x16", class_code=code) for code in (ACCELERATOR, NETWORK)]
        drives = [card("16 GT/s x4", class_code=DRIVE) for _ in range(3)]
        ports = [port("16 GT/s x16").holds(item) for item in (*below, *drives)]
        return root_port(f"{number:04x}:00:01.0", "16 GT/s x16").holds(switch("16 GT/s x16", *ports))

    return machine(*(group(number) for number in range(8)))


def test_many_pairs_are_told_in_groups(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    document = ways(many())
    assert len(document.pairs) == 780 == sum(group.pairs for group in document.groups)
    root = many().build().write(tmp_path)
    status, out, _ = run("paths", "--sysfs", root)
    assert status == 0
    assert len(out.splitlines()) < 30
    assert "780 pairs" in out.splitlines()[0]
    assert "turns at one of 8 switches" in " ".join(out.split())
    rows = run("paths", "--sysfs", root, "--csv")[1].splitlines()
    assert len(rows) == 781


def test_more_groups_than_a_screen_takes_are_counted(capsys: pytest.CaptureFixture[str]) -> None:
    document = ways(many())
    draw(structs.replace(document, groups=document.groups * 8))
    out = capsys.readouterr().out
    assert f"in {8 * len(document.groups) - 24} other groups; --between narrows it down" in out


def test_the_screen_says_what_isolation_protects_and_never_to_turn_it_off(run: Run, tmp_path: Path) -> None:
    bits: Bits = {AcsControl.acs_p2p_request_redirect: True, AcsControl.acs_p2p_completion_redirect: True}
    root = below_a_switch(bits, bits).build().write(tmp_path)
    out = " ".join(run("paths", "--sysfs", root)[1].split())
    assert "0000:02:00.0 redirects requests, completions" in out
    assert PROTECTS in out
    for word in ("disable", "turn off", "switch off", "clear the bit"):
        assert word not in out.lower()
    assert PROTECTS not in tuple(remarks(ways(below_a_switch())))


def test_no_line_is_wider_than_the_screen(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = correlator().build().write(tmp_path)
    for width in (80, 120):
        monkeypatch.setenv("COLUMNS", str(width))
        for words in ((), ("--between", "0000:81:00.0", "--between", "network")):
            assert max(map(len, run("paths", "--sysfs", root, *words)[1].splitlines())) <= width


def test_json(run: Run, tmp_path: Path) -> None:
    root = below_a_switch().build().write(tmp_path)
    document = json.loads(run("paths", "--sysfs", root, "--json")[1])
    assert document["schema"] == "linkprobe/paths/1"
    assert document["pairs"][0]["turn"] == "switch"


def test_the_order_of_functions_changes_nothing() -> None:
    for described in (correlator(), below_a_switch()):
        tree = described.build()
        assert ways(tree.shuffled(Random(3))).pairs == ways(tree).pairs


@st.composite
def switches(draw: st.DrawFn) -> Evidence:
    bits = st.sampled_from((
        {}, {AcsControl.acs_p2p_request_redirect: True}, {AcsControl.acs_source_validation: True},
    ))  # fmt: skip
    return read_machine(below_a_switch(draw(bits), draw(bits)).build().source())


@search(60)
@given(switches(), st.data())
def test_what_is_not_read_never_makes_a_way_turn_elsewhere(evidence: Evidence, data: st.DataObject) -> None:
    """Source: DEVELOPERS.md, unknown never alarms and never excuses."""
    whole = {(pair.one, pair.other): pair for pair in paths(evidence).pairs}
    try:
        less = paths(data.draw(masked(evidence)))
    except NothingToJudge:
        return
    for pair in less.pairs:
        known = whole[pair.one, pair.other]
        assert pair.turn in {known.turn, Turn.UNKNOWN, Turn.HIDDEN}
        assert pair.ceiling_bytes_s is None or known.ceiling_bytes_s is not None
        assert pair.same_node in {known.same_node, None}
