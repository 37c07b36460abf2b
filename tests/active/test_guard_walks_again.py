"""What changed below the link between the plan and the first write is seen: the guard walks anew each time."""

from pathlib import Path

import pytest

from fake_sysfs import card, machine, root_port
from probe.active.guard import LINK_LOSS, Effect
from probe.active.preparing import Bench, Guarding, bench
from probe.host.opening import open_source

PORT, COMPONENT = "0000:00:01.0", "0000:01:00.0"


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    below = card("16 GT/s x8", attributes={"sriov_numvfs": "0"})
    return machine(root_port(PORT, "16 GT/s x8", slot=1).holds(below)).build().write(tmp_path / "tree")


def users(tested: Bench, effect: Effect = Effect.RETRAINS) -> dict[str, str | None]:
    (target,) = tested.under_test
    return {item.user: item.word for item in Guarding(tested, ()).walk(target, effect)}


def real(tree: Path, address: str) -> Path:
    return (tree / f"bus/pci/devices/{address}").resolve()


def test_nothing_changed(tree: Path) -> None:
    assert users(bench(open_source(tree), [PORT])) == {}


def test_a_driver_that_was_bound_meanwhile(tree: Path) -> None:
    tested = bench(open_source(tree), [PORT])
    (real(tree, COMPONENT) / "driver").symlink_to("../../../../bus/pci/drivers/nvme")
    assert users(tested) == {"driver nvme": LINK_LOSS}


def test_virtual_functions_that_were_made_meanwhile(tree: Path) -> None:
    tested = bench(open_source(tree), [PORT])
    (real(tree, COMPONENT) / "sriov_numvfs").write_text("2\n")
    assert users(tested) == {"2 virtual functions": None}


def test_a_function_that_came(tree: Path) -> None:
    tested = bench(open_source(tree), [PORT])
    (real(tree, COMPONENT).parent / "0000:01:00.1").mkdir()
    (tree / "bus/pci/devices/0000:01:00.1").symlink_to(f"../../../devices/pci0000:00/{PORT}/0000:01:00.1")
    (word,) = users(tested).values()
    assert word is None


def test_a_function_that_went(tree: Path) -> None:
    tested = bench(open_source(tree), [PORT])
    (tree / f"bus/pci/devices/{COMPONENT}").unlink()
    assert None in users(tested).values()
