"""What a link runs at and what it could: from which end, from which register or file, where they differ."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Port, Tree, card, machine, port, root_port, switch
from probe.audit.document import AuditDocument, LinkDocument
from probe.host.machine import read_machine
from probe.links.end import LinkEnd, link_end
from probe.links.function import FunctionFacts
from probe.links.kind_of_link import KindOfLink
from probe.links.link import Link, WhichEnd, make_link
from probe.links.state import LinkState
from probe.links.topology import Pair, topology
from probe.registers.link import LinkCapabilities, LinkCapabilities2
from probe.verdict.verdicts import Verdict

One = Callable[[Machine | Tree], LinkDocument]
Judge = Callable[[Machine | Tree], AuditDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"


def tree(best: str = "16 GT/s x16", card_best: str = "16 GT/s x16", trained: str | None = None) -> Tree:
    return machine(root_port(PORT, best).holds(card(card_best, trained=trained))).build()


def by_files(described: Tree, **files: dict[str, str]) -> Tree:
    """Without config space, and with these link files: of the port (`port`) and the component (`card`)."""
    seen = described.unprivileged()
    for end, changes in files.items():
        for name, text in changes.items():
            seen = seen.with_attribute(PORT if end == "port" else CARD, name, text)
    return seen


def state(speed: str, width: str) -> dict[str, str]:
    return {"current_link_speed": speed, "current_link_width": width}


GEN4, GEN3 = "16.0 GT/s PCIe", "8.0 GT/s PCIe"
NONE = state("Unknown", "0")


@pytest.mark.parametrize(
    ("port_files", "card_files", "speed", "width"),
    [
        (state(GEN4, "16"), state(GEN4, "16"), 16.0, 16),
        (NONE, state(GEN3, "8"), 8.0, 8),
        (state(GEN3, "8"), NONE, 8.0, 8),
        (state(GEN3, "0"), state(GEN4, "4"), 8.0, 4),
        (state("Unknown", "8"), state(GEN4, "4"), 16.0, 8),
        (state(GEN3, "8"), state("Unknown", "4"), 8.0, 8),
        (state(GEN3, "8"), state(GEN4, "0"), 8.0, 8),
        (state(GEN4, "8"), state(GEN4, "4"), 16.0, 4),
        (state(GEN4, "4"), state(GEN3, "4"), 8.0, 4),
        (state(GEN4, "4"), state(GEN3, "16"), 16.0, 4),
        (state(GEN4, "8"), state(GEN3, "16"), 16.0, 8),
        (state(GEN3, "16"), state(GEN4, "8"), 8.0, 16),
        (NONE, NONE, None, None),
    ],
)
def test_the_state_of_two_ends(
    port_files: dict[str, str], card_files: dict[str, str], speed: float | None, width: int | None, judge_one: One
) -> None:
    """Where both tell, the port's; where they differ, that of the lesser product; where one is silent, the other's."""
    link = judge_one(by_files(tree(), port=port_files, card=card_files))
    assert (link.negotiated.speed_gts, link.negotiated.width) == (speed, width)


@pytest.mark.parametrize(
    ("port_state", "card_state", "believed"),
    [
        ((GEN3, "8"), (GEN4, "16"), False),  # less in both: no port of a real link
        ((GEN4, "8"), (GEN4, "16"), False),
        ((GEN3, "16"), (GEN4, "16"), False),
        ((GEN4, "16"), (GEN4, "16"), True),
        ((GEN4, "8"), (GEN3, "16"), True),
        ((GEN3, "16"), (GEN4, "8"), True),
        ((GEN4, "16"), (GEN3, "16"), True),
    ],
)
def test_a_port_that_claims_less_than_its_component_is_emulated(
    port_state: tuple[str, str], card_state: tuple[str, str], *, believed: bool, judge_one: One
) -> None:
    link = judge_one(by_files(tree(), port=state(*port_state), card=state(*card_state)))
    assert ("an emulated port" not in str(link.reasons)) is believed
    if not believed:
        assert link.negotiated.width == int(card_state[1])


@pytest.mark.parametrize(
    ("ours", "theirs", "stated", "best"),
    [
        ((2.5, 5.0, 8.0, 16.0), (2.5, 5.0, 8.0, 16.0), 16.0, 16.0),
        ((2.5, 5.0, 8.0), (2.5, 5.0, 8.0, 16.0), 16.0, 8.0),
        ((2.5, 5.0, 8.0, 16.0), (2.5, 16.0), 16.0, 16.0),
        ((2.5, 8.0), (2.5, 5.0), 16.0, 2.5),
        ((5.0,), (8.0,), 16.0, 5.0),  # nothing in common: the lesser of both
        ((), (2.5, 5.0, 8.0), 16.0, 8.0),  # one end has no vector
        ((), (), 16.0, 16.0),
        ((2.5, 32.0), (2.5, 32.0), 16.0, 2.5),  # what a vector names above Max Link Speed does not count
    ],
)
def test_the_best_speed_in_common(
    ours: tuple[float, ...], theirs: tuple[float, ...], stated: float, best: float
) -> None:
    """Base Specification 6.x, 7.5.3.18; the highest bit at each end as kernel drivers/pci/pci.c, pcie_get_speed_cap."""
    link = made(
        root_port(PORT, f"{stated:g} GT/s x16", registers={LinkCapabilities2.supported_link_speeds_vector: ours}).holds(
            card(f"{stated:g} GT/s x16", registers={LinkCapabilities2.supported_link_speeds_vector: theirs})
        )
    )
    assert link.possible.speed_gts == best


def made(described: Port) -> Link:
    evidence = read_machine(machine(described).build().source())
    (pair,) = topology(evidence).pairs
    return make_link(pair, kind=KindOfLink.SLOT, place_id="", slot=None, limits=(), above=None)


@pytest.mark.parametrize(("ours", "theirs", "best"), [(16, 16, 16), (8, 16, 8), (16, 4, 4)])
def test_the_best_width_is_the_lesser(ours: int, theirs: int, best: int) -> None:
    assert made(root_port(PORT, f"8 GT/s x{ours}").holds(card(f"8 GT/s x{theirs}"))).possible.width == best


@pytest.mark.parametrize(
    ("now", "best", "short"),
    [
        ("16 GT/s x16", "16 GT/s x16", ()),
        ("8 GT/s x16", "16 GT/s x16", ("speed",)),
        ("16 GT/s x8", "16 GT/s x16", ("width",)),
        ("2.5 GT/s x1", "16 GT/s x16", ("speed", "width")),
    ],
)
def test_shortfall(now: str, best: str, short: tuple[str, ...]) -> None:
    assert made(root_port(PORT, best).holds(card(best, trained=now))).shortfall == short


def test_an_end_is_found_by_its_name() -> None:
    link = made(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4")))
    assert [(name, str(end.address)) for name, end in link.named_ends] == [
        (WhichEnd.PORT, PORT), (WhichEnd.COMPONENT, CARD),
    ]  # fmt: skip
    assert [str(end.address) for end in link.ends] == [PORT, CARD]
    alone = made(root_port(PORT, "8 GT/s x4"))
    assert [name for name, _ in alone.named_ends] == [WhichEnd.PORT]
    assert (alone.negotiated.speed_gts, alone.negotiated.width) == (None, None)


def end_of(described: Tree, address: str) -> LinkEnd:
    (item,) = (item for item in read_machine(described.source()).functions if item.address == address)
    return link_end(FunctionFacts(item))


def test_registers_are_believed_before_files() -> None:
    described = tree("16 GT/s x16", "8 GT/s x4").with_attribute(CARD, "max_link_width", "2")
    end = end_of(described.with_attribute(CARD, "max_link_speed", "2.5 GT/s PCIe"), CARD)
    assert end.best_speed is not None
    assert end.best_width is not None
    assert (end.best_speed.value, end.best_width.value) == (8.0, 4)
    assert end.best_width.source == f"Link Capabilities of {CARD}, offset 06ch"


def test_files_stand_in_for_registers() -> None:
    end = end_of(by_files(tree("16 GT/s x16", "8 GT/s x4")), CARD)
    for fact, value, source in (
        (end.best_speed, 8.0, "max_link_speed"), (end.best_width, 4, "max_link_width"),
        (end.speed, 8.0, "current_link_speed"), (end.width, 4, "current_link_width"),
    ):  # fmt: skip
        assert fact is not None
        assert (fact.value, fact.source) == (value, f"{source} of {CARD}")
    assert end.speeds == ()


@pytest.mark.parametrize(
    ("speeds", "stated", "best", "register"),
    [
        ((2.5, 5.0, 8.0), 8.0, 8.0, "Link Capabilities of"),
        ((2.5, 5.0), 8.0, 5.0, "Link Capabilities 2 of"),
        ((2.5, 5.0, 8.0, 16.0), 8.0, 8.0, "Link Capabilities of"),
        ((16.0,), 8.0, 8.0, "Link Capabilities of"),
        ((), 8.0, 8.0, "Link Capabilities of"),
    ],
)
def test_the_best_speed_of_an_end(speeds: tuple[float, ...], stated: float, best: float, register: str) -> None:
    registers = {LinkCapabilities2.supported_link_speeds_vector: speeds}
    described = machine(root_port(PORT, "16 GT/s x4").holds(card(f"{stated:g} GT/s x4", registers=registers))).build()
    fact = end_of(described, CARD).best_speed
    assert fact is not None
    assert fact.value == best
    assert fact.source.startswith(register)


def test_where_what_it_can_do_was_not_read() -> None:
    blind = by_files(tree(), card={"max_link_width": "Unknown"})
    assert end_of(tree(), CARD).best_not_read is False
    assert end_of(blind, CARD).states_its_best is False
    assert end_of(blind.failing(CARD, "max_link_width"), CARD).best_not_read
    assert end_of(blind.failing(CARD, "config").with_attribute(CARD, "max_link_speed", None), CARD).best_not_read
    assert not end_of(blind.failing(CARD, "config"), CARD).best_not_read


@pytest.mark.parametrize(
    ("status", "zero"), [(b"\x00\x00", True), (b"\x43\x10", False), (b"\x00\x10", False), (b"\x40\x00", False)]
)
def test_a_link_status_that_holds_nothing(status: bytes, *, zero: bool) -> None:
    assert end_of(tree().with_bytes(CARD, 0x72, status), CARD).status_reads_zero is zero
    assert end_of(by_files(tree(), card={"current_link_width": "0"}), CARD).status_reads_zero
    assert not end_of(by_files(tree()), CARD).status_reads_zero
    in_memory = by_files(tree(), card={"current_link_width": "0", "rcd_link_cap": "423c85"})
    assert not end_of(in_memory, CARD).status_reads_zero


ABOVE, DOWN, LEAF = "0000:00:01.0", "0000:02:00.0", "0000:03:00.0"


def switched() -> Tree:
    below = switch("8 GT/s x8", port("8 GT/s x8").holds(card("8 GT/s x4")))
    return machine(root_port(ABOVE, "8 GT/s x8").holds(below)).build()


@pytest.mark.published(
    "Linux drivers/pci/probe.c: a port below a link's upper end is an Upstream Port, any other below one is Downstream"
)
@pytest.mark.parametrize("root", [True, False])
def test_both_kinds_of_port_of_a_switch_are_told_apart_by_where_they_are(*, root: bool, judge: Judge) -> None:
    """Without config space the Device/Port Type is not read: the wiring and the link files tell."""
    seen = switched() if root else switched().unprivileged()
    links = judge(seen).links
    assert [(link.downstream_port, link.upstream_port) for link in links] == [(ABOVE, "0000:01:00.0"), (DOWN, LEAF)]
    assert [link.verdict for link in links] == [Verdict.FULL, Verdict.FULL]
    assert [len(link.path) for link in links] == [1, 2]
    found = topology(read_machine(seen.source()))
    kinds = {str(address): kind for address, kind in found.kinds.items()}
    assert kinds == {
        ABOVE: "Root Port", "0000:01:00.0": "Upstream Port of a Switch", DOWN: "Downstream Port of a Switch", LEAF: "Endpoint",
    }  # fmt: skip
    assert [found.depth(function) for function in found.functions.values()] == [0, 1, 2, 3]
    assert (
        found.place_id(found.functions[next(a for a in found.functions if str(a) == LEAF)])
        == "0000/0/01.0/00.0/00.0/00.0"
    )


def test_a_bridge_to_conventional_pci_is_known_by_what_hangs_below(judge: Judge) -> None:
    """Nothing below it has link files: without config space it is a bridge out of PCI Express."""
    tree_of = machine(root_port(ABOVE, "2.5 GT/s x1").holds(switch("2.5 GT/s x1", port("2.5 GT/s x1")))).build()
    seen = tree_of.unprivileged()
    for name in ("max_link_speed", "max_link_width", "current_link_speed", "current_link_width"):
        seen = seen.with_attribute(DOWN, name, None)
    found = topology(read_machine(seen.source()))
    assert {str(address): kind for address, kind in found.kinds.items()} == {
        ABOVE: "Root Port", "0000:01:00.0": "PCI Express to PCI/PCI-X Bridge", DOWN: None,
    }  # fmt: skip


def test_a_link_knows_those_above_it(judge: Judge) -> None:
    first, second = judge(switched()).links
    assert [step.upstream_port for step in second.path] == [first.upstream_port, second.upstream_port]


def test_the_first_function_of_a_pair_is_the_one_nearest_to_the_root() -> None:
    (pair,) = topology(read_machine(tree().source())).pairs
    assert str(pair.first.address) == PORT
    hidden = Pair(None, pair.below)
    assert str(hidden.first.address) == CARD


def test_capabilities_of_zero_state_nothing() -> None:
    end = end_of(tree().with_bytes(CARD, 0x60 + LinkCapabilities.offset, b"\0\0\0\0"), CARD)
    assert end.best_width is not None  # from the kernel's file
    assert end.best_width.source == f"max_link_width of {CARD}"


def test_a_state_in_words() -> None:
    assert str(LinkState(16.0, 4)) == "16 GT/s x4"
    assert str(LinkState(2.5, 1)) == "2.5 GT/s x1"
    assert {str(LinkState(None, 4)), str(LinkState(16.0)), str(LinkState())} == {"not read"}
