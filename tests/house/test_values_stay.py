"""Values are frozen where decoding and judging is done, and an option of a struct is written to change its default."""

import ast
from collections.abc import Iterator

from tests.house.tree import Module, modules

PURE = {"registers", "links", "verdict", "errors", "compare", "bandwidth", "settings", "audit", "paths"}
GROWING = {
    "probe.links.topology.Topology": "filled while the tree is walked",
    "probe.errors.log_events._Record": "a firmware record while its lines are read",
    "probe.compare.history._Stay": "a card's boots while they are looked through",
}
DEFAULTS = {
    "frozen": False,
    "kw_only": False,
    "omit_defaults": False,
    "dict": False,
    "forbid_unknown_fields": False,
    "eq": True,
    "slots": False,
}


def options(node: ast.ClassDef) -> Iterator[ast.keyword]:
    """Those of a struct, and those of a dataclass."""
    yield from node.keywords
    for decorator in node.decorator_list:
        if isinstance(decorator, ast.Call):
            yield from decorator.keywords


def structs() -> Iterator[tuple[Module, ast.ClassDef]]:
    for module in modules():
        for node in ast.walk(module.tree):
            if isinstance(node, ast.ClassDef) and any("Struct" in ast.unparse(base) for base in node.bases):
                yield module, node


def test_what_is_decoded_and_judged_does_not_change() -> None:
    loose = {
        f"{module.name}.{node.name}"
        for module, node in structs()
        if module.room in PURE and not any(item.arg == "frozen" for item in node.keywords)
    }
    assert loose == set(GROWING)


def test_a_default_is_not_written_out() -> None:
    written = [
        f"{module.name}.{node.name}: {option.arg}"
        for module in modules()
        for node in ast.walk(module.tree)
        if isinstance(node, ast.ClassDef)
        for option in options(node)
        if isinstance(option.value, ast.Constant)
        and option.arg in DEFAULTS
        and option.value.value is DEFAULTS[option.arg]
    ]
    assert written == []
