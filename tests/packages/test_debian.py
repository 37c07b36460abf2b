"""The Debian packages: built, checked by lintian, and lived with in fresh trees of the releases."""

import re
import subprocess
from pathlib import Path

import pytest

from probe import __version__
from tests.packages.conftest import TOP
from tests.packages.manual import lines_of
from tests.packages.trees import Tree

pytestmark = pytest.mark.packages

COMPLETE = """
source /usr/share/bash-completion/bash_completion
source /usr/share/bash-completion/completions/linkprobe
COMP_WORDS=(linkprobe explain --sysfs /srv/demo 0000 : 01) COMP_CWORD=6 COMP_TYPE=9
COMP_LINE='linkprobe explain --sysfs /srv/demo 0000:01' COMP_POINT=43
_linkprobe linkprobe
printf '%s\\n' "${COMPREPLY[@]}"
"""


def newer(deb: Path, folder: Path) -> Path:
    """The same package with a later version."""
    subprocess.run(["dpkg-deb", "-R", deb, folder / "newer"], check=True)
    control = folder / "newer/DEBIAN/control"
    control.write_text(control.read_text().replace(f"Version: {__version__}", "Version: 99.0"))
    subprocess.run(["dpkg-deb", "-b", folder / "newer", folder / "newer.deb"], check=True, capture_output=True)
    return folder / "newer.deb"


def test_the_life_of_the_package(tree: Tree, debs: Path, tmp_path: Path) -> None:
    base = next(debs.glob("linkprobe_*.deb"))
    before = tree.files()
    tree.take(base)
    typed = lines_of("linkprobe-collect", "Install the package")
    assert typed.startswith("apt install ./linkprobe_")
    tree.run("sh", "-euc", f"cd /srv; {typed.replace('apt install', 'apt-get install -qq --no-install-recommends')}")
    in_use(tree)
    nothing_leaks(tree)

    config = tree.root / "etc/linkprobe/config.toml"
    config.write_text(config.read_text() + "\n# ours\n")
    spool = tree.root / "var/lib/linkprobe/spool"
    kept = {path.name for path in spool.iterdir()}
    delivered = delivering(tree)
    assert any(name.endswith(".json.gz") for name in kept)
    tree.run("dpkg", "-i", tree.take(newer(base, tmp_path)))
    assert config.read_text().endswith("# ours\n")
    assert {path.name for path in spool.iterdir()} == kept
    tree.run("linkprobe", "audit", "--quiet", "--sysfs", "/srv/demo", status=1)

    tree.run("dpkg", "--remove", "linkprobe")
    assert config.exists()
    assert {path.name for path in spool.iterdir()} == kept
    assert not (tree.root / "usr/lib/linkprobe").exists()
    assert all(path.exists() for path in delivered)
    tree.run("dpkg", "--purge", "linkprobe")
    assert tree.files() - before == set()
    assert before - tree.files() == set()


def delivering(tree: Tree) -> list[Path]:
    """What deliveries put on a host, by linkprobe-fleet(1) and their unit; gives the paths."""
    private = tree.root / "var/lib/private"  # where systemd puts the state of users that it makes up
    state = (private if private.exists() else tree.root / "var/lib") / "linkprobe-deliver"
    state.mkdir()
    if private.exists():
        (tree.root / "var/lib/linkprobe-deliver").symlink_to("private/linkprobe-deliver")
    etc = tree.root / "etc/linkprobe"
    made = [state / "sent", *(etc / f"deliver.{name}" for name in ("key", "key.pub", "known_hosts"))]
    for path in made:
        path.write_text("as linkprobe-fleet(1) says\n")
    if (tree.root / "usr/bin/systemctl").exists():
        tree.run("systemctl", "enable", "linkprobe-deliver.timer")
        assert (tree.root / "etc/systemd/system/timers.target.wants/linkprobe-deliver.timer").is_symlink()
    return made


def in_use(tree: Tree) -> None:
    assert tree.run("linkprobe", "--version") == f"linkprobe {__version__}\n"
    tree.run("linkprobe", "demo", "--write", "/srv/demo")
    assert "0000:01:00.0" in tree.run("linkprobe", "audit", "--quiet", "--sysfs", "/srv/demo", status=1)
    assert "suspect lanes 8 to 15" in tree.run("linkprobe", "collect", "--sysfs", "/srv/demo", status=1)
    assert "linkprobe_link_below_capability" in (tree.root / "var/lib/linkprobe/linkprobe.prom").read_text()
    assert "Judge every PCI Express link" in tree.run("man", "-P", "cat", "linkprobe-audit")
    assert "EXIT STATUS" in tree.run("man", "-P", "cat", "7", "linkprobe-verdicts")
    assert tree.run("bash", "-c", COMPLETE).split() == ["01:00.0"]
    assert "the package linkprobe-page" in tree.run("linkprobe", "self-check")
    told = tree.run("linkprobe", "fleet", "below", "--store", "/srv/store", status=64)
    assert told.count("\n") == 1
    assert "add it: the package linkprobe-fleet" in told


def nothing_leaks(tree: Tree) -> None:
    """Neither into the system's Python, nor from it or its environment into ours."""
    for module in ("probe", "msgspec", "typer"):
        assert "ModuleNotFoundError" in tree.run("python3", "-c", f"import {module}", status=1)
    (tree.root / "srv/hostile").mkdir()
    (tree.root / "srv/hostile/msgspec.py").write_text("raise SystemExit(99)\n")
    tree.run("linkprobe", "--version", more={"PYTHONPATH": "/srv/hostile", "PYTHONHOME": "/srv/hostile"})


def test_each_part_alone(debs: Path, tree: Tree) -> None:
    """Each beside the base and no other: the store, on the Python that it was built for; pages with charts."""
    tree.run("dpkg", "-i", tree.take(next(debs.glob("linkprobe_*.deb"))))
    if served(debs, tree):
        the_store(debs, tree)
    for name in ("page", "accelerator"):
        tree.run("dpkg", "-i", tree.take(next(debs.glob(f"linkprobe-{name}_*.deb"))))
        assert re.search(rf"^yes +part {name} ", tree.run("linkprobe", "self-check"), re.MULTILINE)
    tree.take(TOP / "tests/captured/two-accelerators-soak.jsonl", "record.jsonl")
    tree.run("linkprobe", "report", "/srv/record.jsonl", "-o", "/srv/page.html")
    assert "<svg" in (tree.root / "srv/page.html").read_text()
    tree.run("dpkg", "--purge", "linkprobe-page", "linkprobe-accelerator", "linkprobe")
    assert not (tree.root / "usr/lib/linkprobe").exists()


def served(debs: Path, tree: Tree) -> bool:
    """Whether the store's package is for the Python of this tree."""
    (store,) = debs.glob("linkprobe-fleet_*.deb")
    wanted = subprocess.run(["dpkg-deb", "-f", store, "Depends"], capture_output=True, text=True, check=True).stdout
    python = tree.run("python3", "-c", "import sys; print('{}.{}'.format(*sys.version_info))").strip()
    return f"python3 (>= {python}~)" in wanted


def the_store(debs: Path, tree: Tree) -> None:
    """Made, asked, kept where the package is installed over itself and removed, gone with it where it is purged."""
    deb = tree.take(next(debs.glob("linkprobe-fleet_*.deb")))
    before = tree.files()
    tree.run("dpkg", "-i", deb)
    tree.run("linkprobe", "fleet", "simulate", "/srv/spools", "--hosts", 3, "--days", 1, "--faults", 1)
    tree.run("linkprobe", "fleet", "ingest", "/srv/spools", "--store", "/srv/store")
    tree.run("linkprobe", "fleet", "inventory", "--store", "/srv/store")
    told = tree.run("linkprobe", "fleet", "page", "--store", "/srv/store", "-o", "/srv/fleet.html", status=64)
    assert "add it: the package linkprobe-page" in told
    for timer in ("ingest", "compact"):
        tree.run("systemctl", "enable", f"linkprobe-fleet-{timer}.timer")
    arrived = tree.root / "var/lib/linkprobe-fleet/spools/host"
    arrived.mkdir()
    tree.run("dpkg", "-i", deb)
    tree.run("dpkg", "--remove", "linkprobe-fleet")
    assert arrived.exists()
    assert not list((tree.root / "usr/lib/linkprobe").glob("fleet-*"))
    tree.run("dpkg", "--purge", "linkprobe-fleet")
    users = {"/etc/passwd-", "/etc/shadow-", "/etc/group-", "/etc/gshadow-"}  # the user stays, as Debian's policy is
    assert {path for path in tree.files() - before if not path.startswith("/usr/lib/linkprobe/base")} - users == set()


@pytest.mark.parametrize("part", ["", "-page", "-accelerator", "-fleet"])
def test_lintian_finds_nothing_that_has_no_reason(part: str, debs: Path) -> None:
    (deb,) = debs.glob(f"linkprobe{part}_*.deb")
    done = subprocess.run(["lintian", "--no-cfg", "--allow-root", deb], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "")
    for overrides in (TOP / "packaging/debian").glob("*.lintian-overrides"):
        before = ""
        for line in overrides.read_text().splitlines():
            assert line.startswith("#") or before.startswith(("#", "linkprobe")), (
                f"{overrides.name}: {line} has no reason"
            )
            before = line


def test_versions_agree() -> None:
    assert f"linkprobe ({__version__})" in (TOP / "packaging/debian/changelog").read_text().splitlines()[0]
    assert f"- {__version__}-1" in (TOP / "packaging/rpm/linkprobe.spec").read_text()
