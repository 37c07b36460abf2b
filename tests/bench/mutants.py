"""How many random changes of the code do the tests notice? `python -m tests.bench.mutants ROOM [COUNT [SEED]]`.

Draws COUNT mutants (60) of probe/ROOM from all that cosmic-ray knows, applies each in a copy of the tree, runs the
tests that hold the room, likeliest first, and lists the survivors. Not drawn is what no run could tell: annotations, a
decorator taken away, an argument's place made its name. Each run is a fork of a process that has loaded the libraries:
about a second a mutant, fifteen a survivor.
"""

import ast
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import cosmic_ray.plugins
import hypothesis
import jinja2
import msgspec
import pytest
import rich.console
import typer
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code

TOP = Path(__file__).parents[2]
LOADED = (hypothesis, jinja2, msgspec, rich.console, typer)  # once, before the forks
TESTS = {
    "registers": ("registers", "published", "links", "verdict", "errors", "documents", "golden", "audit"),
    "links": ("links", "verdict", "audit", "golden", "errors", "compare", "published", "documents"),
    "verdict": ("verdict", "audit", "links", "golden", "compare"),
    "errors": ("errors", "published", "verdict", "golden", "audit", "compare"),
    "compare": ("compare", "golden", "audit"),
}
_TIMEOUT_S = 120
_BARE = ("-x", "-q", "-n0", "-p", "no:cacheprovider", "-W", "ignore", "--hypothesis-seed=1")
_NOT_DRAWN = ("core/RemoveDecorator",)

Mutant = tuple[Path, str, int]  # module, operator, occurrence


def mutants(path: Path) -> Iterator[Mutant]:
    """Every change of a module that the tool knows."""
    nodes = list(ast_nodes(get_ast(path.read_text())))
    for name in cosmic_ray.plugins.operator_names():
        kind = cosmic_ray.plugins.get_operator(name)
        if not kind.arguments() and name not in _NOT_DRAWN:
            count = sum(1 for node in nodes for _ in kind().mutation_positions(node))
            yield from ((path, name, occurrence) for occurrence in range(count))


def mutated(path: Path, name: str, occurrence: int) -> str | None:
    """A module's new text; None where it is no Python, or does what the old one did."""
    code = path.read_text()
    changed = mutate_code(code, cosmic_ray.plugins.get_operator(name)(), occurrence)
    try:
        return changed if changed and _what_runs(changed) != _what_runs(code) else None
    except SyntaxError:
        return None


def _what_runs(code: str) -> str:
    tree = ast.parse(code)
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign):
            node.annotation = ast.Constant(0)
        elif isinstance(node, ast.arg):
            node.annotation = None
        elif isinstance(node, ast.FunctionDef):
            node.returns = None
        elif isinstance(node, ast.arguments):  # a bare * made a /
            node.args = [*node.posonlyargs, *node.args, *node.kwonlyargs]
            node.posonlyargs, node.kwonlyargs = [], []
            node.defaults, node.kw_defaults = [*node.defaults, *filter(None, node.kw_defaults)], []
    return ast.dump(tree)


def killed(copy: Path, room: str) -> bool:
    """Does any test of the room fail, or never end?"""
    child = os.fork()
    if not child:
        _tests(copy, TESTS[room])
    ends = time.monotonic() + _TIMEOUT_S
    while time.monotonic() < ends:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return status != 0
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def _tests(copy: Path, folders: tuple[str, ...]) -> None:
    os.setpgid(0, 0)
    os.chdir(copy)
    sys.path[:] = [str(copy), *(entry for entry in sys.path if entry not in {"", str(TOP)})]
    silent = os.open(copy / "output", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    try:
        failed = any(pytest.main([*_BARE, f"tests/{folder}"]) for folder in folders)
    except BaseException:  # noqa: BLE001 - whatever a mutant raises kills it
        failed = True
    os._exit(int(failed))


def difference(before: str, after: str) -> str:
    """The lines that differ, one against one."""
    pairs = zip(before.splitlines(), after.splitlines(), strict=False)
    return next(
        (f"{number}: {old.strip()}  ->  {new.strip()}" for number, (old, new) in enumerate(pairs, 1) if old != new),
        "a line gone",
    )


def copied(folder: Path) -> Path:
    """A copy of the tree, to change."""
    copy = folder / "copy"
    left = shutil.ignore_patterns("__pycache__", ".hypothesis")
    for part in ("probe", "fake_sysfs", "tests", "packaging"):
        shutil.copytree(TOP / part, copy / part, symlinks=True, ignore=left)
    for part in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(TOP / part, copy / part)
    return copy


def survives(copy: Path, mutant: Mutant, changed: str, room: str) -> bool:
    """Apply a mutant, run the tests, take it away."""
    path = mutant[0]
    before = path.read_text()
    for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        stale.unlink()  # times and sizes would not tell the two apart
    path.write_text(changed)
    try:
        return not killed(copy, room)
    finally:
        path.write_text(before)


def main(room: str, count: str = "60", seed: str = "1") -> None:
    """Print the survivors and the score."""
    with tempfile.TemporaryDirectory() as folder:
        copy = copied(Path(folder))
        if killed(copy, room):
            print((copy / "output").read_text())
            sys.exit("the tests fail on the code as it is")
        sys.dont_write_bytecode = True
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        drawn = [mutant for path in sorted((copy / "probe" / room).rglob("*.py")) for mutant in mutants(path)]
        random.Random(seed).shuffle(drawn)
        tried = dead = 0
        for mutant in drawn:
            path, before = mutant[0], mutant[0].read_text()
            changed = mutated(*mutant)
            if changed is None:
                continue
            if survives(copy, mutant, changed, room):
                print(f"survived: {path.relative_to(copy)}:{difference(before, changed)}", flush=True)
            else:
                dead += 1
            tried += 1
            if tried == int(count):
                break
        print(f"{room}: {dead} of {tried} killed, of {len(drawn)} mutants; seed {seed}")


if __name__ == "__main__":
    main(*sys.argv[1:])
