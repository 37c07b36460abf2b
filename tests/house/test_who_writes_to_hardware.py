"""One module opens files under /sys for writing, and only the commands that say so can reach it."""

import ast
import tomllib

from probe.cli.commands import COMMANDS
from tests.house.tree import TOP, modules

WRITERS = {"train", "speeds", "margin", "put_back", "qualify"}
CONTRACT = "what only reads cannot reach the module that writes to hardware"


def test_the_contract_names_every_other_command() -> None:
    configured = tomllib.loads((TOP / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    (contract,) = (item for item in configured if item["name"] == CONTRACT)
    commands = {name.removeprefix("probe.cli.") for name in contract["source_modules"] if ".cli." in name}
    assert commands == {row.function for row in COMMANDS} - WRITERS


def test_in_the_room_that_writes_one_module_alone_opens_files_for_writing() -> None:
    """The journal has its own folder, which is never under /sys."""
    found = {
        module.name
        for module in modules()
        if module.room == "active"
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Attribute)
        and node.attr in {"O_WRONLY", "O_RDWR", "pwrite", "write_text", "write_bytes"}
    }
    assert found == {"probe.active.writing", "probe.active.journal"}
