"""Packages are built once a session and tried in trees of Debian releases; in continuous integration they must be."""

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.once import made_once
from tests.packages.trees import SUITES, Tree, fresh

TOP = Path(__file__).parents[2]
NEEDED = {
    "dpkg-buildpackage": "dpkg-dev", "dh": "debhelper", "scdoc": "scdoc", "lintian": "lintian", "rpmbuild": "rpm",
    "rpmlint": "rpmlint", "debootstrap": "debootstrap", "rsync": "rsync",
}  # fmt: skip


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
        """What failed for one worker is told to the others as it was, and not tried again for minutes."""
        failed = self._folder / f"{name}.failed"

        def attempt(into: Path) -> None:
            if failed.exists():
                raise AssertionError(failed.read_text())
            try:
                make(into)
            except Exception as error:
                failed.write_text(f"{type(error).__name__}: {error}")
                raise

        return made_once(self._folder / name, attempt)


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


@pytest.fixture(params=SUITES)
def tree(request: pytest.FixtureRequest, ready: None, tmp_path: Path) -> Iterator[Tree]:
    """A fresh tree of a release."""
    with fresh(request.param, tmp_path) as made:
        yield made
