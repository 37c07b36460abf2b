"""What an end does not have is none; only what was not read is not read."""

from pathlib import Path
from typing import Any

import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.explanation import Explanation, explain
from probe.host.machine import read_machine
from probe.registers.link import LinkControl2
from tests.conftest import Run

PORT, CARD = "0000:00:01.0", "0000:01:00.0"


def held(best: str = "8 GT/s x4", **changes: Any) -> Machine:
    return machine(root_port(PORT, best, slot=1, serial=5).holds(card(best, **changes)))


def explained(tree: Tree) -> Explanation:
    return explain(read_machine(tree.source()), CARD, registers=False)


def cell(document: Explanation, label: str) -> tuple[str | None, str | None]:
    return next((row.port, row.component) for row in document.ends if row.label == label)


@pytest.mark.parametrize(
    ("described", "label", "told"),
    [
        (held("5 GT/s x4"), "Equalization", "not needed below 8 GT/s"),
        (held(trained="5 GT/s x4"), "Equalization", "complete at no rate"),
        (held(), "Equalization", "complete at 8 GT/s"),
        (machine(root_port(PORT, "8 GT/s x4").holds(card("5 GT/s x4"))), "Lane errors", "none"),
        (held(version=1), "Target Link Speed", "none"),
        (held(), "Serial number", "none"),
        (held(), "Driver", "none"),
        (held(numa_node=-1), "NUMA node", "none"),
        (held(), "Changed speed or width by itself", "the port tells"),
    ],
)
def test_what_a_component_does_not_have(described: Machine, label: str, told: str) -> None:
    assert cell(explained(described.build()), label)[1] == told


@pytest.mark.parametrize("label", ["Serial number", "Target Link Speed", "Lane errors", "Equalization"])
def test_what_was_not_read_of_one_end_only(label: str) -> None:
    short = held().build()
    config = next(path for path in short.files if path.endswith(f"/{CARD}/config"))
    port, component = cell(explained(short.with_file(config, short.files[config][:64])), label)
    assert port not in {None, "none"} or label == "Lane errors"
    assert component is None


def test_what_was_read_and_states_nothing_is_not_stated() -> None:
    """As an emulated drive has it: Target Link Speed 0, which is reserved."""
    tree = held().build().with_bytes(CARD, 0x60 + LinkControl2.offset, b"\0\0")
    assert cell(explained(tree), "Target Link Speed") == ("8 GT/s", "not stated")


def test_nothing_is_told_of_an_end_that_is_not_there(tmp_path: Path, run: Run) -> None:
    sys = machine(root_port(PORT, "8 GT/s x4", slot=1)).build().write(tmp_path)
    status, out, _ = run("explain", PORT, "--sysfs", sys)
    assert status == 0
    assert "not read" not in out
