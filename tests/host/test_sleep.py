"""What sleeps is not woken, and no link goes missing for it.

Rule: drivers/pci/pci.c `pci_config_pm_runtime_get`: reading a register resumes the port above (and, as runtime power
management goes, all above that) and the function itself where it is in D3cold; drivers/gpu/drm/amd/pm/amdgpu_pm.c: its
files resume the device.
"""

import itertools
from pathlib import Path
from unittest import mock

import pytest

from fake_sysfs import Tree, card, machine, port, root_port, switch
from probe.audit.audit import audit
from probe.evidence import Evidence, Unread
from probe.host.abilities import abilities
from probe.host.machine import read_machine
from probe.host.source import Bytes, DirectorySource, MemorySource
from probe.verdict.verdicts import Verdict

PORT, CARD = "0000:00:01.0", "0000:01:00.0"
FROM_REGISTERS = {
    "current_link_speed", "current_link_width", "max_link_speed", "max_link_width", "secondary_bus_number",
    "subordinate_bus_number", "serial_number", "rcd_link_cap", "rcd_link_ctrl", "rcd_link_status", "config",
}  # fmt: skip
FROM_DRIVER = {"gpu_busy_percent", "pp_dpm_pcie"}
STATES = ("D0", "D3hot", "D3cold")
NINE = list(itertools.product(STATES, STATES))


class Live(MemorySource):
    """A machine in memory that is taken for a live one, and remembers what it was asked."""

    live = True

    def __init__(self, tree: Tree) -> None:
        super().__init__(tree.files, tree.links, "live")
        self.asked: set[tuple[str, str]] = set()

    def text(self, path: str) -> str | Unread:
        self._remember(path)
        return super().text(path)

    def open(self, path: str) -> Bytes | Unread:
        self._remember(path)
        return super().open(path)

    def _remember(self, path: str) -> None:
        steps = self._follow(path).split("/")
        self.asked.add((steps[-2], steps[-1]))


def described(above: str, below: str) -> Tree:
    tree = machine(
        root_port(PORT, "16 GT/s x16", slot=1, trained="2.5 GT/s x16", power_state=above).holds(
            card("16 GT/s x16", trained="2.5 GT/s x16", power_state=below)
        )
    ).build()
    for name in FROM_DRIVER | {"serial_number"}:
        tree = tree.with_attribute(CARD, name, "1")
    return tree


def read(tree: Tree, *, wake: bool = False) -> tuple[Evidence, set[tuple[str, str]]]:
    source = Live(tree)
    with mock.patch("probe.host.surroundings.read_kernel_log", return_value=()):
        return read_machine(source, wake=wake), source.asked


@pytest.mark.parametrize(("above", "below"), NINE)
def test_nothing_is_asked_that_would_wake(above: str, below: str) -> None:
    _, asked = read(described(above, below))
    of_card = {name for function, name in asked if function == CARD}
    of_port = {name for function, name in asked if function == PORT}
    assert (of_card & FROM_REGISTERS == set()) == (below == "D3cold" or above != "D0")
    assert ("config" in of_card) == (above == below == "D0")
    assert (of_card & FROM_DRIVER == set()) == (below != "D0" or above != "D0")
    assert (of_port & FROM_REGISTERS == set()) == (above == "D3cold")
    assert ("config" in of_port) == (above == "D0")


@pytest.mark.parametrize(("above", "below"), NINE)
def test_a_link_stays_and_its_sleeping_ends_are_named(above: str, below: str) -> None:
    (link,) = audit(read(described(above, below))[0]).links
    assert (link.downstream_port, link.upstream_port, link.inside_card) == (PORT, CARD, False)
    awake = above == below == "D0"
    assert link.verdict is (Verdict.DOWNTRAINED if awake else Verdict.RESTING)
    told = {
        reason.source.removeprefix("power_state of "): reason.value
        for reason in link.reasons
        if "asleep: " in reason.meaning
    }
    assert told == {address: state for address, state in ((PORT, above), (CARD, below)) if state != "D0"}


@pytest.mark.parametrize(("above", "below"), NINE)
def test_wake_reads_all(above: str, below: str) -> None:
    evidence, asked = read(described(above, below), wake=True)
    assert {(PORT, "config"), (CARD, "config"), (CARD, "current_link_speed")} <= asked
    assert not [item for function in evidence.functions for item in function.unread]


def test_a_port_high_above_that_sleeps_is_not_woken_by_what_hangs_far_below() -> None:
    up = switch("16 GT/s x16", port("16 GT/s x4").holds(card("16 GT/s x4")))
    tree = machine(root_port(PORT, "16 GT/s x16", power_state="D3hot").holds(up)).build()
    evidence, asked = read(tree)
    assert {function for function, name in asked if name in FROM_REGISTERS} == {PORT}
    assert len(audit(evidence).links) == 2


def test_a_function_without_a_port_keeps_its_link_asleep() -> None:
    """As one that was handed to a virtual machine; beside ports it is one of the root complex, which has none."""
    tree = described("D0", "D3cold")
    files = {path.replace(f"/{PORT}/{CARD}", f"/{CARD}"): content for path, content in tree.files.items()}
    links = {path: target.replace(f"/{PORT}/{CARD}", f"/{CARD}") for path, target in tree.links.items()}
    alone = Tree(
        {path: content for path, content in files.items() if PORT not in path},
        {path: target for path, target in links.items() if PORT not in path},
    )
    (link,) = audit(read(alone)[0]).links
    assert (link.downstream_port, link.upstream_port, link.verdict) == (None, CARD, Verdict.RESTING)


class Stirring(DirectorySource):
    """A copied tree taken for a live one; what is opened, in a child too, is noted in a file."""

    live = True
    notes: Path

    def _opened(self, directory: str, name: str) -> int:
        with self.notes.open("a") as file:
            file.write(f"{name}\n")
        return super()._opened(directory, name)


@pytest.mark.parametrize(("above", "below"), NINE)
def test_the_self_check_wakes_nothing(above: str, below: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = described(above, below).write(tmp_path / "copy")
    source = Stirring(root, root.parent)
    source.live, source.notes = True, tmp_path / "opened"
    monkeypatch.setattr("probe.host.abilities.read_kernel_log", lambda _: ())
    found = {item.what: item for item in abilities(source)}
    opened = set(source.notes.read_text().split())
    assert ("config" in opened) == (above == "D0")
    assert ("current_link_speed" in opened) == (above != "D3cold")
    assert found["whole configuration space"].there == (above == "D0")
    assert found["link attributes (kernel 4.13)"].detail == "at 2 functions"
