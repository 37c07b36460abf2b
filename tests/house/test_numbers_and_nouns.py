"""One of a thing is told in the singular: a number and its noun go through `counted`."""

import ast
from collections.abc import Iterator

import pytest

from probe.counted import counted
from tests.house.tree import modules

PLURALS = {
    "links", "samples", "passes", "boots", "errors", "snapshots", "hosts", "files", "functions", "trainings", "lanes",
    "transitions", "phases", "places", "components", "cards", "lines", "registers", "faults", "attempts", "slots", "ports",
}  # fmt: skip
NO_NUMBER = {"asks for zero {', '.join(sorted(unknown))} errors", "The first {_FIRST} of {len(listed)} hosts."}
"""Names before the noun, and a number that is greater than one there."""
NAMES = ("severity", "severity.words", "name")
"""What an expression ends in that says which errors, and not how many."""


@pytest.mark.parametrize(("number", "told"), [(0, "0 passes"), (1, "1 pass"), (2, "2 passes")])
def test_counted(number: int, told: str) -> None:
    assert counted(number, "pass", "passes") == told


def plurals(tree: ast.AST) -> Iterator[ast.JoinedStr]:
    """F-strings in which a plural follows a number that may be one."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.JoinedStr):
            continue
        for value, after in zip(node.values, node.values[1:], strict=False):
            if not (isinstance(value, ast.FormattedValue) and isinstance(after, ast.Constant)):
                continue
            words = str(after.value).split()
            if ast.unparse(value.value).endswith(NAMES):
                continue
            constant = isinstance(value.value, ast.Name) and value.value.id.lstrip("_").isupper()
            if words and str(after.value).startswith(" ") and not constant and words[0].strip(".,;:)") in PLURALS:
                yield node


def test_no_plural_stands_after_a_number_that_may_be_one() -> None:
    told = ((module.at(node), ast.unparse(node)[2:-1]) for module in modules() for node in plurals(module.tree))
    found = [f"{where}: {text}" for where, text in told if text not in NO_NUMBER]
    assert not found, "give number and noun to probe.counted.counted:\n" + "\n".join(found)
