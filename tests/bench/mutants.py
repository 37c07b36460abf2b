"""How many random changes of the code do the tests notice? `python tests/bench/mutants.py ROOM [COUNT [SEED]]`.

Draws COUNT mutants (60) of probe/ROOM from all that cosmic-ray knows, applies each in a copy of the tree, runs the
tests that hold the room, quickest first, and lists the survivors. Mutants that only change an annotation are not drawn:
nothing evaluates them. Takes some seconds a mutant, minutes a survivor.
"""

import ast
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cosmic_ray.plugins
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code

TOP = Path(__file__).parents[2]
TESTS = {
    "registers": ("registers", "published", "links", "verdict", "errors", "documents", "audit", "render", "laws"),
    "links": ("links", "verdict", "audit", "compare", "laws", "render"),
    "verdict": ("verdict", "links", "audit", "house", "compare", "render", "laws"),
    "errors": ("errors", "published", "verdict", "compare", "audit", "soak", "render", "laws"),
    "compare": ("compare", "cli", "laws", "render"),
    "bandwidth": ("bandwidth", "published", "audit", "soak", "render"),
    "soak": ("soak", "laws", "cli"),
}
_TIMEOUT_S = 600
_BARE = ("-x", "-q", "-n0", "-p", "no:cacheprovider", "-W", "ignore", "--hypothesis-seed=1")


def mutants(path: Path) -> Iterator[tuple[Path, str, int]]:
    """Every change of a module that the tool knows: module, operator, occurrence."""
    nodes = list(ast_nodes(get_ast(path.read_text())))
    for name in cosmic_ray.plugins.operator_names():
        kind = cosmic_ray.plugins.get_operator(name)
        if not kind.arguments():
            count = sum(1 for node in nodes for _ in kind().mutation_positions(node))
            yield from ((path, name, occurrence) for occurrence in range(count))


def mutated(path: Path, name: str, occurrence: int) -> str | None:
    """A module's new text; None where it is no Python, or does what the old one did."""
    code = path.read_text()
    changed = mutate_code(code, cosmic_ray.plugins.get_operator(name)(), occurrence)
    try:
        return changed if changed and _without_annotations(changed) != _without_annotations(code) else None
    except SyntaxError:
        return None


def _without_annotations(code: str) -> str:
    tree = ast.parse(code)
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign):
            node.annotation = ast.Constant(0)
        elif isinstance(node, ast.arg):
            node.annotation = None
        elif isinstance(node, ast.FunctionDef):
            node.returns = None
    return ast.dump(tree)


def killed(copy: Path, room: str) -> bool:
    """Does any test of the room fail, or never end?"""
    folders = [f"tests/{folder}" for folder in TESTS[room]]
    command = [sys.executable, "-m", "pytest", *_BARE, *folders]
    try:
        return subprocess.run(command, cwd=copy, capture_output=True, timeout=_TIMEOUT_S, check=False).returncode != 0
    except subprocess.TimeoutExpired:
        return True


def difference(before: str, after: str) -> str:
    """The lines that differ, one against one."""
    pairs = zip(before.splitlines(), after.splitlines(), strict=False)
    return next(
        (f"{number}: {old.strip()}  ->  {new.strip()}" for number, (old, new) in enumerate(pairs, 1) if old != new),
        "a line gone",
    )


def main(room: str, count: str = "60", seed: str = "1") -> None:
    """Print the score and the survivors."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        for part in ("probe", "fake_sysfs", "tests", "packaging"):
            shutil.copytree(
                TOP / part, copy / part, symlinks=True, ignore=shutil.ignore_patterns("__pycache__", ".hypothesis")
            )
        for part in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(TOP / part, copy / part)
        if killed(copy, room):
            sys.exit("the tests fail on the code as it is")
        drawn = [mutant for path in sorted((copy / "probe" / room).rglob("*.py")) for mutant in mutants(path)]
        random.Random(seed).shuffle(drawn)
        tried = dead = 0
        for path, name, occurrence in drawn:
            before, changed = path.read_text(), mutated(path, name, occurrence)
            if changed is None:
                continue
            path.write_text(changed)
            if killed(copy, room):
                dead += 1
            else:
                print(f"survived: {path.relative_to(copy)}:{difference(before, changed)}", flush=True)
            path.write_text(before)
            tried += 1
            if tried % 10 == 0:
                print(f"{dead} of {tried} killed", flush=True)
            if tried == int(count):
                break
        print(f"{room}: {dead} of {tried} killed, of {len(drawn)} mutants; seed {seed}")


if __name__ == "__main__":
    main(*sys.argv[1:])
