"""The program's own source as syntax trees, for the laws of the house."""

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

TOP = Path(__file__).parents[2]


class Module(NamedTuple):
    """One file. `name` is dotted, `room` its folder or, on the ground floor, itself."""

    name: str
    tree: ast.Module

    @property
    def room(self) -> str:
        return self.name.split(".")[1] if "." in self.name else ""

    def at(self, node: ast.AST) -> str:
        """Where a finding is, for a person."""
        return f"{self.name} line {getattr(node, 'lineno', 0)}"


@cache
def modules(package: str = "probe") -> tuple[Module, ...]:
    """Every module of a package, parsed."""
    found = []
    for path in sorted((TOP / package).rglob("*.py")):
        parts = path.relative_to(TOP).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found.append(Module(name, ast.parse(path.read_text())))
    return tuple(found)


def strings(module: Module) -> Iterator[ast.Constant]:
    """The text constants of a module: no docstrings, no pieces of f-strings that are not at their beginning."""
    passed_over = set()
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            passed_over.add(node.value)
        if isinstance(node, ast.JoinedStr):
            passed_over.update(part for part in node.values[1:] if isinstance(part, ast.Constant))
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in passed_over:
            yield node


def calls(module: Module) -> Iterator[tuple[ast.Call, str]]:
    """Every call, with the dotted name of what is called as it is written."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Call):
            yield node, ast.unparse(node.func)
