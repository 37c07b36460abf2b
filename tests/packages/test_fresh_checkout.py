"""The README's two commands in a tree of stable that has Python, its venv, and nothing else of ours."""

import shutil
import subprocess
from collections.abc import Iterator

import pytest

from tests.packages.conftest import TOP, Tree, fresh

pytestmark = pytest.mark.packages

CERTIFICATES = "etc/ssl/certs/ca-certificates.crt"
INDEX = {"PIP_CERT": f"/{CERTIFICATES}"}


@pytest.fixture(scope="module")
def checkout(ready: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tree]:
    """This checkout, without what git ignores, at /srv/linkprobe."""
    tree = fresh("trixie", tmp_path_factory.mktemp("checkout"))
    tree.run("dpkg", "--purge", "man-db", "bash-completion")
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=True).stdout
    for name in filter(None, listed.split("\0")):
        if (TOP / name).is_file():
            target = tree.root / "srv/linkprobe" / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(TOP / name, target)
    for name in ("etc/resolv.conf", CERTIFICATES):  # the way to the package index is that of this host
        (tree.root / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(f"/{name}", tree.root / name)
    subprocess.run(["mount", "-t", "proc", "proc", tree.root / "proc"], check=True)
    yield tree
    subprocess.run(["umount", tree.root / "proc"], check=True)


def test_run_demo(checkout: Tree) -> None:
    told = checkout.run("/srv/linkprobe/packaging/run", "demo", status=1, more=INDEX)
    assert "correlator-07  18 links: 2 downtrained" in told
    assert checkout.run("/srv/linkprobe/.venv/bin/linkprobe", "--version").startswith("linkprobe ")


def test_check(checkout: Tree) -> None:
    """Every checker, and the tests of one room; all of them run where this one does."""
    told = checkout.run("/srv/linkprobe/packaging/check", "-q", "tests/verdict", "tests/links", more=INDEX)
    assert "All checks passed!" in told
    assert "Success: no issues found" in told
    assert " passed" in told
    assert " failed" not in told
