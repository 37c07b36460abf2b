"""How many random changes of the code do the tests notice? `python -m tests.bench.mutants ROOM [COUNT [SEED]]`.

Draws COUNT mutants (60) of probe/ROOM from all that cosmic-ray knows, applies each in a copy of the tree, runs the
tests that run the changed function, closest first, and lists the survivors. Not drawn is what no run could tell:
annotations, a decorator taken away, an argument's place made its name. Each run is a fork of a process that has loaded
the libraries: about a second a mutant on an idle machine, ten a survivor. Needs cosmic-ray and coverage.
"""

import ast
import os
import random
import resource
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import zip_longest
from pathlib import Path

import cosmic_ray.plugins
import coverage
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
    "registers": (
        "golden/test_registers.py",
        "registers",
        "published",
        "links",
        "verdict",
        "errors",
        "documents",
        "audit",
    ),
    "links": ("links", "verdict", "audit", "golden", "errors", "compare", "published", "documents"),
    "verdict": ("verdict", "audit", "links", "golden", "compare"),
    "errors": ("errors", "published", "verdict", "golden", "audit", "compare"),
    "compare": ("compare", "golden", "audit"),
}
_LAW = "house/test_values_stay.py"
_MOST_CPU_S = 90
_MOST_BYTES = 4 << 30
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


def killed(copy: Path, runs: Iterable[tuple[str, ...]], *, measured: bool = False) -> bool:
    """Does any test of these runs fail, or never end?"""
    child = os.fork()
    if not child:
        _tests(copy, runs, measured=measured)
    return os.waitpid(child, 0)[1] != 0


def _tests(copy: Path, runs: Iterable[tuple[str, ...]], *, measured: bool) -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (_MOST_CPU_S, _MOST_CPU_S))  # one that never ends is noticed too
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, _MOST_BYTES))
    os.chdir(copy)
    sys.path[:] = [str(copy), *(entry for entry in sys.path if entry not in {"", str(TOP)})]
    silent = os.open(copy / "output", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    watch = coverage.Coverage(data_file=copy / "lines", source=["probe"], config_file=False) if measured else None
    try:
        if watch is not None:
            watch.set_option("run:dynamic_context", "test_function")
            watch.start()
        failed = any(pytest.main([*_BARE, *run]) for run in runs)
        if watch is not None:
            watch.stop()
            watch.save()
    except BaseException:  # noqa: BLE001 - whatever a mutant raises kills it
        failed = True
    os._exit(int(failed))


class Chosen:
    """The tests that can tell of a change: of a line in a function those that run it, else all that hold the room."""

    def __init__(self, copy: Path, room: str) -> None:
        self._copy = copy
        self._all = tuple((f"tests/{folder}",) for folder in (_LAW, *TESTS[room]))
        if killed(copy, self._all, measured=True):
            print((copy / "output").read_text())
            sys.exit("the tests fail on the code as it is")
        self._data = coverage.CoverageData(str(copy / "lines"))
        self._data.read()
        self._lines = Counter(
            context
            for path in self._data.measured_files()
            for contexts in self._data.contexts_by_lineno(path).values()
            for context in contexts
            if context
        )
        if killed(copy, [("--collect-only", *map(self._node, self._lines))]):
            sys.exit("a test is not found by its name")

    def of(self, path: Path, changed: str) -> tuple[tuple[str, ...], ...]:
        """In runs, the closest first: a test that runs little else. A room whose values are kept is tried whole."""
        before = path.read_text()
        first = next(
            number
            for number, (old, new) in enumerate(zip_longest(before.splitlines(), changed.splitlines()), 1)
            if old != new
        )
        span = _function_around(before, first)
        if span is None or "lru_cache" in before or path.parent.name == "registers":
            return self._all
        by_line = self._data.contexts_by_lineno(str(path))
        names = {name for line, found in by_line.items() if span[0] <= line <= span[1] for name in found if name}
        ordered = [self._node(name) for name in sorted(names, key=lambda name: (self._lines[name], name))]
        return tuple(run for run in (tuple(ordered[:30]), tuple(ordered[30:]), ("tests/golden",)) if run)

    def _node(self, context: str) -> str:
        module, _, name = context.rpartition(".")
        return f"{module.replace('.', '/')}.py::{name}"


def _function_around(code: str, line: int) -> tuple[int, int] | None:
    """First and last line of the body of the innermost function that holds a line."""
    found = None
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.FunctionDef) and node.body[0].lineno <= line <= (node.end_lineno or 0):
            found = (node.body[0].lineno, node.end_lineno or 0)
    return found


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


def survives(copy: Path, path: Path, changed: str, runs: Iterable[tuple[str, ...]]) -> bool:
    """Apply a mutant, run the tests, take it away."""
    before = path.read_text()
    for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        stale.unlink()  # times and sizes would not tell the two apart
    path.write_text(changed)
    try:
        return not killed(copy, runs)
    finally:
        path.write_text(before)


def main(room: str, count: str = "60", seed: str = "1") -> None:
    """Print the survivors and the score."""
    with tempfile.TemporaryDirectory() as folder:
        copy = copied(Path(folder))
        chosen = Chosen(copy, room)
        sys.dont_write_bytecode = True
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        drawn = [mutant for path in sorted((copy / "probe" / room).rglob("*.py")) for mutant in mutants(path)]
        random.Random(seed).shuffle(drawn)
        tried = dead = 0
        for path, name, occurrence in drawn:
            before, changed = path.read_text(), mutated(path, name, occurrence)
            if changed is None:
                continue
            tried += 1
            if survives(copy, path, changed, chosen.of(path, changed)):
                print(f"survived: {path.relative_to(copy)}:{difference(before, changed)}", flush=True)
            else:
                dead += 1
            if tried % 10 == 0:
                print(f"{dead} of {tried} killed", flush=True)
            if tried == int(count):
                break
        print(f"{room}: {dead} of {tried} killed, of {len(drawn)} mutants; seed {seed}")


if __name__ == "__main__":
    main(*sys.argv[1:])
