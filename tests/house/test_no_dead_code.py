"""Nothing stands in the program that nothing uses: found by vulture, less what is used from outside by its nature."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest
import vulture

from probe.cli.commands import COMMANDS
from probe.loads.catalogue import LOADS
from tests.house.tree import TOP, modules

CALLED_BY_LIBRARIES = {
    "format_commands": "click draws a group's help with it",
    "resolve_command": "click finds a command with it",
    "shell_complete": "click completes a word with it",
    "process_renderables": "rich hands over with it what is drawn",
    "on_broken_pipe": "rich tells with it that the reader has gone",
    "collect": "prometheus-client asks a collector with it",
    "__init_subclass__": "Python makes a class with it",
}
PART_OF_AN_INTERFACE = {
    "readdir": "FUSE asks a file system with it",
    "fh": "FUSE hands it over",
    "use_ns": "mfusepy looks at it",
    "drives": "a load says what it drives",
    "POINTERS": "the capture script names it",
}


@pytest.mark.parametrize(
    "folders",
    [("probe", "fake_sysfs", "packaging"), ("fake_sysfs", "tests", "probe", "packaging")],
    ids=["the program", "the builder, with its users"],
)
def test_nothing_is_unused(folders: tuple[str, ...]) -> None:
    scavenger = vulture.Vulture()
    scavenger.scavenge([str(TOP / folder) for folder in folders])
    used_from_outside = {*CALLED_BY_LIBRARIES, *PART_OF_AN_INTERFACE, *_commands(), *_loads(), *_fields()}
    unused = [
        f"{Path(item.filename).relative_to(TOP)} line {item.first_lineno}: {item.typ} {item.name}"
        for item in scavenger.get_unused_code(min_confidence=60)
        if Path(item.filename).is_relative_to(TOP / folders[0]) and item.name not in used_from_outside
    ]
    assert not unused, "\n" + "\n".join(unused)


def _commands() -> Iterator[str]:
    for row in COMMANDS:
        yield from (part.function for part in row.parts or (row,))


def _loads() -> Iterator[str]:
    """Our own loads are named in a table and found by their names."""
    yield from (place.partition(":")[2] for place in LOADS.values())


def _fields() -> Iterator[str]:
    """Fields of values: a document is read by other programs, also where we do not read it ourselves."""
    for module in (*modules("probe"), *modules("fake_sysfs")):
        for node in ast.walk(module.tree):
            if isinstance(node, ast.ClassDef) and any("Struct" in ast.unparse(base) for base in node.bases):
                yield from (ast.unparse(item.target) for item in node.body if isinstance(item, ast.AnnAssign))
            if module.room == "registers" and isinstance(node, ast.ClassDef):  # a register's fields: decode prints all
                assigned = (item for item in node.body if isinstance(item, ast.Assign))
                yield from (ast.unparse(target) for item in assigned for target in item.targets)
