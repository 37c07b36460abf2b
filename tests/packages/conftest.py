"""Packages are built once a session and tried in trees of Debian releases; in continuous integration they must be."""

import fcntl
import os
import shutil
import subprocess
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
CACHE = TOP / ".packages"
MIRROR = "http://deb.debian.org/debian"
NEEDED = {
    "dpkg-buildpackage": "dpkg-dev", "dh": "debhelper", "scdoc": "scdoc", "lintian": "lintian", "rpmbuild": "rpm",
    "rpmlint": "rpmlint", "debootstrap": "debootstrap",
}  # fmt: skip
SUITES = {"bookworm": "3.11", "trixie": "3.13"}
"""The release before stable and stable itself, and the Python of each."""
INCLUDED = {
    "bookworm": "python3,man-db,bash-completion,systemd,systemd-sysv",
    "trixie": "python3,python3-venv,man-db,bash-completion",
}
"""What each tree has beside the least: the older one the init that the timer needs, stable what a checkout needs."""


@pytest.fixture(scope="session")
def ready() -> None:
    """Minutes of building and trying, so only where that is asked for; then everything that it needs must be there."""
    if os.environ.get("LINKPROBE_PACKAGES") != "required":
        pytest.skip("LINKPROBE_PACKAGES=required builds the packages and tries them")
    lacking = [package for program, package in NEEDED.items() if shutil.which(program) is None]
    if os.geteuid() != 0:
        lacking.append("root")
    assert not lacking, f"packages need {', '.join(lacking)}"


@pytest.fixture(scope="session")
def once(ready: None, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[Path], object]], Path]:
    """Make something for all workers of the session, by the first that asks."""
    base = tmp_path_factory.getbasetemp()
    return Once(base.parent if "PYTEST_XDIST_WORKER" in os.environ else base)


class Once:
    """A folder that workers share, and what each of them makes there when no other has."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __call__(self, name: str, make: Callable[[Path], object]) -> Path:
        return made_once(self._folder / name, make)


def made_once(path: Path, make: Callable[[Path], object]) -> Path:
    """`path`, made under another name first so that it is whole."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.with_name(f".{path.name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not path.exists():
            making = path.with_name(f".{path.name}.making")
            shutil.rmtree(making, ignore_errors=True)
            make(making)
            making.rename(path)
    return path


Make = Callable[[str, Callable[[Path], object]], Path]


def script(name: str, into: Path, **variables: object) -> None:
    """Run a script of packaging/."""
    environment = os.environ | {key: str(value) for key, value in variables.items()}
    done = subprocess.run(
        [TOP / "packaging" / name, into], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture(scope="session")
def payload(once: Make) -> Path:
    return once("payload", lambda into: script("build-payload", into))


@pytest.fixture(scope="session")
def debs(once: Make, payload: Path) -> Path:
    return once("debs", lambda into: script("build-deb", into, PAYLOAD=payload))


@pytest.fixture(scope="session")
def rpms(once: Make, payload: Path) -> Path:
    return once("rpms", lambda into: script("build-rpm", into, PAYLOAD=payload))


@pytest.fixture(scope="session")
def single_file(once: Make, payload: Path) -> Path:
    return once("file", lambda into: script("build-pyz", into, PAYLOAD=payload)) / "linkprobe.pyz"


def _bootstrap(suite: str, into: Path) -> None:
    command = ["debootstrap", "--variant=minbase", f"--include={INCLUDED[suite]}", suite, str(into), MIRROR]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr


class Tree:
    """A tree of a Debian release, in which programs run as on a host of it."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def run(self, *command: object, status: int = 0, more: Mapping[str, str] | None = None) -> str:
        """What a command prints, on both streams; its status has to be this one."""
        environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LC_ALL": "C.UTF-8", **(more or {})}
        done = subprocess.run(
            ["chroot", self.root, *map(str, command)], env=environment, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == status, (command, done.returncode, done.stdout)
        return done.stdout

    def take(self, path: Path, name: str = "") -> str:
        """Put a file into the tree; gives its path there."""
        shutil.copy(path, self.root / "srv" / (name or path.name))
        return f"/srv/{name or path.name}"

    def files(self) -> set[str]:
        """Every path of the tree, less what package tools keep for themselves."""
        own = (
            "/var/lib/dpkg",
            "/var/log",
            "/var/cache",
            "/var/lib/systemd/deb-systemd-helper",
            "/srv",
            "/root",
            "/proc",
        )
        listed = subprocess.run(
            ["find", ".", "-xdev", "-printf", "/%P\\n"], cwd=self.root, capture_output=True, text=True, check=True
        ).stdout
        return {path for path in listed.splitlines() if not path.startswith(own)}


@pytest.fixture(params=SUITES)
def tree(request: pytest.FixtureRequest, ready: None, tmp_path: Path) -> Tree:
    """A fresh tree of a release."""
    return fresh(request.param, tmp_path)


def fresh(suite: str, folder: Path) -> Tree:
    """A fresh copy of a release's tree."""
    base = made_once(CACHE / suite, lambda into: _bootstrap(suite, into))
    subprocess.run(["cp", "-a", "--reflink=auto", base, folder / suite], check=True)
    return Tree(folder / suite)
