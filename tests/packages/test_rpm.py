"""The RPM packages: built, checked by rpmlint, and lived with in a tree that has rpm's own database."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from probe import __version__
from tests.packages.conftest import TOP, Make, script
from tests.packages.test_debian import nothing_leaks
from tests.packages.trees import Tree, fresh

pytestmark = pytest.mark.packages


@pytest.fixture(scope="session")
def later(once: Make, payload: Path) -> Path:
    return once("later", lambda into: script("build-rpm", into, PAYLOAD=payload, RELEASE=2))


def rpm(tree: Tree, *arguments: object) -> str:
    """rpm on the tree. Its database knows no other package, so what Debian brought counts for nothing."""
    alone = [] if arguments[0] == "-q" else ["--nodeps"]
    command = ["rpm", "--root", str(tree.root), *alone, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture
def older(ready: None, tmp_path: Path) -> Iterator[Tree]:
    with fresh("bookworm", tmp_path) as made:
        yield made


def test_the_life_of_the_package(older: Tree, rpms: Path, later: Path) -> None:
    tree = older
    subprocess.run(["rpm", "--root", tree.root, "--initdb"], check=True)
    before = tree.files()
    rpm(tree, "-i", *rpms.glob("linkprobe-0*.rpm"), *rpms.glob("linkprobe-page-*.rpm"))
    assert rpm(tree, "-V", "linkprobe") == ""
    assert tree.run("linkprobe", "--version") == f"linkprobe {__version__}\n"
    tree.run("linkprobe", "demo", "--write", "/srv/demo")
    tree.run("linkprobe", "audit", "--quiet", "--sysfs", "/srv/demo", status=1)
    tree.run("linkprobe", "collect", "--sysfs", "/srv/demo", status=1)
    assert "Judge every PCI Express link" in tree.run("man", "-P", "cat", "linkprobe-audit")
    for place in ("bash-completion/completions/linkprobe", "zsh/site-functions/_linkprobe"):
        assert (tree.root / "usr/share" / place).exists()
    assert (tree.root / "usr/share/fish/vendor_completions.d/linkprobe.fish").exists()
    nothing_leaks(tree)

    config = tree.root / "etc/linkprobe/config.toml"
    config.write_text(config.read_text() + "\n# ours\n")
    kept = {path.name for path in (tree.root / "var/lib/linkprobe/spool").iterdir()}
    rpm(tree, "-U", *later.glob("linkprobe-0*.rpm"), *later.glob("linkprobe-page-*.rpm"))
    assert rpm(tree, "-q", "linkprobe") == f"linkprobe-{__version__}-2.x86_64\n"
    assert config.read_text().endswith("# ours\n")
    assert {path.name for path in (tree.root / "var/lib/linkprobe/spool").iterdir()} == kept

    rpm(tree, "-e", "linkprobe-page", "linkprobe")
    # Licences lie in a directory that every distribution of RPMs has.
    left = {path for path in tree.files() - before if not path.startswith(("/var/lib/rpm", "/usr/share/licenses"))}
    assert left == {
        "/etc/linkprobe", "/etc/linkprobe/config.toml.rpmsave", "/var/lib/linkprobe", "/var/lib/linkprobe/spool",
        "/var/lib/linkprobe/linkprobe.prom", *(f"/var/lib/linkprobe/spool/{name}" for name in kept),
    }  # fmt: skip


def test_rpmlint_finds_nothing_that_has_no_reason(rpms: Path) -> None:
    settings = TOP / "packaging/rpm/rpmlint.toml"
    command = ["rpmlint", "-c", str(settings), *map(str, rpms.glob("*.rpm"))]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert " 0 errors, 0 warnings" in done.stdout
