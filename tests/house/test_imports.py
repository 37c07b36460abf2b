"""No circle between modules, and every module stands in the layers that the import contracts hold."""

import tomllib
from graphlib import CycleError, TopologicalSorter

import grimp
import pytest

from tests.house.tree import TOP


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    return grimp.build_graph("probe", "fake_sysfs")


def test_no_circle_between_modules(graph: grimp.ImportGraph) -> None:
    imported = {name: graph.find_modules_directly_imported_by(name) for name in graph.modules}
    try:
        TopologicalSorter(imported).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


def test_every_room_stands_in_the_layers(graph: grimp.ImportGraph) -> None:
    configured = tomllib.loads((TOP / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    (layers,) = (contract["layers"] for contract in configured if contract["type"] == "layers")
    rooms = {name for name in graph.modules if name.count(".") == 1 and name.startswith("probe.")} - {"probe.__main__"}
    assert {*rooms, "fake_sysfs"} == set(layers)
