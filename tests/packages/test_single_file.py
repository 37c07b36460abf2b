"""linkprobe.pyz: the same to the byte when built again, and run by every Python that it is made for."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from probe import __version__
from tests.packages.conftest import Make, script
from tests.packages.trees import SUITES, Tree

pytestmark = pytest.mark.packages


def test_two_builds_are_the_same_to_the_byte(once: Make, single_file: Path) -> None:
    """The second one from the beginning: wheels fetched, manual and program packed anew."""
    again = once("file-again", lambda into: script("build-pyz", into)) / "linkprobe.pyz"
    assert again.read_bytes() == single_file.read_bytes()


def test_by_the_pythons_of_debian_releases(tree: Tree, single_file: Path) -> None:
    """With nothing installed, and where no package of ours is."""
    assert f"Python {SUITES[tree.root.name]}." in tree.run("python3", "--version")
    program = tree.take(single_file)
    assert tree.run(program, "--version") == f"linkprobe {__version__}\n"
    tree.run(program, "demo", "--write", "/srv/demo")
    assert tree.run(program, "audit", "--quiet", "--sysfs", "/srv/demo", status=1).count("\n") == 3
    tree.run(program, "snapshot", "--sysfs", "/srv/demo", "-o", "/srv/s.json.gz")
    assert tree.run(program, "diff", "/srv/s.json.gz", "/srv/s.json.gz").endswith("Nothing changed.\n")
    tree.run(program, "report", "/srv/s.json.gz", "-o", "/srv/page.html")
    told = tree.run(program, "fleet", "below", "--store", "/srv/store", status=64)
    assert re.fullmatch(r"linkprobe: \w+: is needed for this and not installed; add it: .*\n", told)
    lacking = re.findall(r"^no +part (\w+) +lacks", tree.run(program, "self-check"), re.MULTILINE)
    assert lacking == ["page", "fleet", "accelerator"]
    assert list((tree.root / "root/.cache/linkprobe").iterdir())


def other_python(version: str) -> str | None:
    """A Python that is not this release's, where one is installed by any means."""
    kept = sorted(Path.home().glob(f".pyenv/versions/{version}.*/bin/python3"))
    return str(kept[-1]) if kept else shutil.which(f"/usr/bin/python{version}")


@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13", "3.14"])
def test_by_other_pythons(version: str, single_file: Path, tmp_path: Path) -> None:
    python = other_python(version)
    if python is None:
        pytest.skip(f"no Python {version} is here")
    command = [python, str(single_file), "demo", "--json"]
    done = subprocess.run(command, env={"HOME": str(tmp_path)}, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (1, "")
    assert done.stdout.startswith('{"schema":"linkprobe/audit/1"')


def test_a_python_that_is_too_old_says_so(single_file: Path) -> None:
    python = other_python("3.10") or other_python("3.9") or other_python("3.8")
    if python is None:
        pytest.skip("no old Python is here")
    done = subprocess.run([python, str(single_file)], capture_output=True, text=True, check=False)
    assert done.returncode == 64
    assert done.stderr.count("\n") == 1
    assert "holds compiled parts for Python 3.11, 3.12, 3.13, 3.14, and this is" in done.stderr


def test_where_it_unpacks_itself_is_nobody_elses(single_file: Path, tmp_path: Path) -> None:
    """A place that others can write to, or that is not there, is not used: it runs from a passing one."""
    places = {"missing": tmp_path / "missing", "shared": tmp_path / "shared", "another's": tmp_path / "anothers"}
    cache = places["shared"] / ".cache/linkprobe"
    cache.mkdir(parents=True)
    cache.chmod(0o777)
    places["another's"].mkdir()
    os.chown(places["another's"], 65534, 65534)
    passing = tmp_path / "tmp"
    passing.mkdir()
    for home in places.values():
        environment = {"HOME": str(home), "PATH": os.environ["PATH"], "TMPDIR": str(passing)}
        command = ["python3", str(single_file), "--version"]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stdout) == (0, f"linkprobe {__version__}\n")
        assert list(passing.iterdir()) == []
    assert list(cache.iterdir()) == []


def test_no_place_to_unpack_is_one_sentence(single_file: Path) -> None:
    environment = {**os.environ, "SHIV_ROOT": "/proc/none"}
    command = ["python3", str(single_file), "--version"]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 64
    assert done.stderr.count("\n") == 1
    assert "set SHIV_ROOT to a directory with room that is yours alone" in done.stderr
