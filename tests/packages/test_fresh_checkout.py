"""The README's two commands in a tree of stable that has Python, its venv, and nothing else of ours."""

import ast
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.packages.conftest import TOP
from tests.packages.trees import Tree, fresh

pytestmark = pytest.mark.packages

PLACE = "/srv/linkprobe"


class Index:
    """How pip of this host comes to its packages: its settings, and the files and directories that they name."""

    def __init__(self) -> None:
        command = [sys.executable, "-m", "pip", "--disable-pip-version-check", "config", "list"]
        listed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        found = re.findall(r"^(?:global|install|:env:)\.([a-z-]+)=(.*)$", listed, re.MULTILINE)
        self.settings = {f"PIP_{name.replace('-', '_').upper()}": ast.literal_eval(text) for name, text in found}
        words = " ".join(map(str, self.settings.values())).split()
        named = [Path(word) for word in words if word.startswith("/")]
        indexes = [Path(word.removeprefix("file://")) for word in words if word.startswith("file:///")]
        self.files = [path for path in named if path.is_file()]
        self.directories = [str(path) for path in (*named, *(index.parent for index in indexes)) if path.is_dir()]


@pytest.fixture(scope="module")
def checkout(ready: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Tree, Index]]:
    """This checkout, without what git ignores."""
    index = Index()
    with fresh("trixie", tmp_path_factory.mktemp("checkout"), tuple(index.directories)) as tree:
        tree.run("dpkg", "--purge", "man-db", "bash-completion")
        ignored = ["--exclude=.git", f"--exclude-from={TOP}/.gitignore"]
        subprocess.run(["rsync", "-a", *ignored, f"{TOP}/", f"{tree.root}{PLACE}/"], check=True)
        for path in (Path("/etc/resolv.conf"), *index.files):
            target = tree.root / path.relative_to("/")
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, target)
        yield tree, index


def test_run_demo(checkout: tuple[Tree, Index]) -> None:
    tree, index = checkout
    told = tree.run(f"{PLACE}/packaging/run", "demo", status=1, more=index.settings)
    assert "correlator-07  18 links: 2 downtrained" in told
    assert tree.run(f"{PLACE}/.venv/bin/linkprobe", "--version").startswith("linkprobe ")


def test_check(checkout: tuple[Tree, Index]) -> None:
    """Every checker, and the tests of two rooms; all of them run where this one does."""
    tree, index = checkout
    told = tree.run(f"{PLACE}/packaging/check", "-q", "tests/verdict", "tests/links", more=index.settings)
    assert "All checks passed!" in told
    assert "Success: no issues found" in told
    assert " passed" in told
    assert " failed" not in told
