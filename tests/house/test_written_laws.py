"""The laws that DEVELOPERS.md writes down, each held over every module of the program."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from probe.schemas import Schema
from probe.verdict.verdicts import Verdict
from tests.house.tree import TOP, calls, modules, strings

# Rooms that make values of values. What they are made from is read by host, observe, documents, loads and collect.
PURE = {
    "exit_status", "exceptions", "foreign_text", "schemas", "address", "evidence", "kernel_spellings", "registers",
    "links", "verdict", "bandwidth", "settings", "errors", "audit", "paths", "compare", "batch", "render",
}  # fmt: skip
OPENING = re.compile(
    r"(?:^|\.)(?:open|fdopen|read_text|read_bytes|write_text|write_bytes|listdir|scandir|iterdir|readlink|glob|rglob|unlink)$"
)
RESOURCES = {
    "probe.render.html.page": "the template of a page is a part of the package",
}

# The rooms that know where the kernel keeps its files. `active` writes some of them.
KNOW_SYSTEM_PATHS = {"host", "observe", "active"}
SYSTEM_PATH = re.compile(r"/?(?:sys|proc)/|/(?:sys|proc|dev)$|/dev/(?!null|full)")

BITS_ELSEWHERE = {
    "probe.documents.rights": "modes of files",
    "probe.loads.interface": "sets of processors; bytes that came back otherwise than they were written",
}


def findings(found: Iterator[str]) -> None:
    listed = list(found)
    assert not listed, "\n" + "\n".join(listed)


def test_pure_rooms_open_no_files() -> None:
    findings(
        f"{module.at(node)} calls {name}"
        for module in modules()
        if module.room in PURE and module.name not in RESOURCES
        for node, name in calls(module)
        if OPENING.search(name)
    )


def test_only_host_observe_and_active_know_where_the_kernel_keeps_files() -> None:
    findings(
        f"{module.at(node)} says {node.value!r}"
        for module in modules()
        if module.room not in KNOW_SYSTEM_PATHS
        for node in strings(module)
        if isinstance(node.value, str) and SYSTEM_PATH.match(node.value)
    )


def test_only_registers_shift_and_mask() -> None:
    findings(
        f"{module.at(node)}: {ast.unparse(node)}"
        for module in modules()
        if module.room != "registers" and module.name not in BITS_ELSEWHERE
        for node in ast.walk(module.tree)
        if _works_on_bits(node)
    )


def _works_on_bits(node: ast.AST) -> bool:
    """A shift that is no size written out, or a mask; an intersection of keys is none."""
    if not isinstance(node, ast.BinOp | ast.AugAssign):
        return False
    sides = (node.left, node.right) if isinstance(node, ast.BinOp) else (node.target, node.value)
    if isinstance(node.op, ast.LShift | ast.RShift):
        return not all(isinstance(side, ast.Constant) for side in sides)
    return isinstance(node.op, ast.BitAnd | ast.BitXor) and not any(".keys()" in ast.unparse(side) for side in sides)


def test_schema_names_stand_in_their_table() -> None:
    names = {schema.value for schema in Schema}
    assert all(re.fullmatch(r"linkprobe/[a-z-]+/\d+", name) for name in names)
    findings(
        f"{module.at(node)} says {node.value!r}"
        for module in modules()
        if module.name != "probe.schemas"
        for node in strings(module)
        if isinstance(node.value, str) and re.match(r"linkprobe/[a-z-]+/\d", node.value)
    )


def test_imports_stand_at_the_top() -> None:
    findings(
        f"{module.at(node)}: {ast.unparse(node)}"
        for module in modules()
        for function in ast.walk(module.tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
        if isinstance(node, ast.Import | ast.ImportFrom) and not _late(node)
    )


_LIVE, _EXTRA = "only a live host has what it asks", "an extra, and the program does without it"
LATE = {
    "psutil": _LIVE, "pyudev": _LIVE, "tarfile": "few trees are tars", "cuda.bindings": _EXTRA, "pynvml": _EXTRA,
    "pyspark.sql": _EXTRA,
}  # fmt: skip


def _late(node: ast.Import | ast.ImportFrom) -> bool:
    return (node.names[0].name if isinstance(node, ast.Import) else node.module or "") in LATE


# The same letters, and not the word of a verdict.
OTHER_MEANINGS = {
    ("probe.links.slots", "empty"): "a path that is empty",
}


def test_words_of_a_verdict_stand_in_their_table() -> None:
    words = {word.value for word in Verdict}
    findings(
        f"{module.at(node)} says {node.value!r}"
        for module in modules()
        if module.name != "probe.verdict.verdicts"
        for node in strings(module)
        if node.value in words and (module.name, node.value) not in OTHER_MEANINGS
    )


def test_how_long_hypothesis_searches_is_said_in_one_place() -> None:
    """`tests/search.py`, so that LINKPROBE_SEARCH makes every law's search longer."""
    said = [
        f"{path.relative_to(TOP)}: {word}"
        for path in (TOP / "tests").rglob("*.py")
        if path not in {TOP / "tests" / "search.py", Path(__file__)}
        for word in ("max_examples", "suppress_health_check", "deadline=None")
        if word in path.read_text()
    ]
    assert said == []
