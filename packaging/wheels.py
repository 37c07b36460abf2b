"""The wheels that packages carry: which they are, by hash, and how those of several Pythons become one directory.

May live here: what is taken from PyPI and where it lies in a package. May not: anything that runs on a host.

    wheels.py lock                  asks pip what each part needs, and writes packaging/wheels/PART.txt
    wheels.py unpack OUT [PART...]  puts each part below OUT, from wheels whose hashes are locked
"""

import json
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

TOP = Path(__file__).parents[1]
LOCKED = TOP / "packaging/wheels"
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
# The oldest C library that the wheels may ask for: 2.28, which every distribution with Python 3.11 has.
PLATFORMS = [
    option
    for tag in (
        "manylinux_2_28",
        "manylinux_2_27",
        "manylinux_2_24",
        "manylinux_2_17",
        "manylinux2014",
        "manylinux2010",
    )
    for option in ("--platform", f"{tag}_x86_64")
]
# What pip keeps for itself, and what only a build needs.
_LEFT_OUT = {"RECORD", "INSTALLER", "REQUESTED", "WHEEL", "direct_url.json", "top_level.txt", "zip-safe"}


class Part(NamedTuple):
    """A package of the program: its extra in pyproject.toml (none for the base), and the Pythons it serves.

    A part serves one Python where its wheels differ by more than their compiled files.
    """

    name: str
    extra: str | None
    pythons: tuple[str, ...]

    @property
    def folder(self) -> str:
        """Where it lies below the program's private directory."""
        return self.name if len(self.pythons) > 1 else f"{self.name}-{self.pythons[0]}"


OWN = "{}.{}".format(*sys.version_info)
PARTS = (
    Part("base", None, PYTHONS),
    Part("page", "page", PYTHONS),
    Part("accelerator", "accelerator", PYTHONS),
    Part("fleet", "fleet", (OWN,)),
)


class Wheel(NamedTuple):
    """One file of PyPI."""

    project: str
    version: str
    sha256: str


def requirements(part: Part) -> list[str]:
    """What pyproject.toml asks for."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    asked: list[str] = project["dependencies"] if part.extra is None else project["optional-dependencies"][part.extra]
    return asked


def pip(*arguments: str) -> str:
    """What pip prints."""
    command = [sys.executable, "-m", "pip", "--disable-pip-version-check", *arguments]
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout


def resolved(part: Part, python: str) -> Iterator[Wheel]:
    """What pip would install for a part, in the versions of requirements.lock."""
    with tempfile.TemporaryDirectory() as nowhere:
        report: dict[str, Any] = json.loads(pip(
            "install", "--quiet", "--dry-run", "--ignore-installed", "--report", "-", "--only-binary", ":all:",
            "--target", nowhere, "--python-version", python, *PLATFORMS,
            "--constraint", str(TOP / "requirements.lock"), *requirements(part),
        ))  # fmt: skip
    for item in report["install"]:
        yield Wheel(
            item["metadata"]["name"].lower().replace("_", "-"),
            item["metadata"]["version"],
            item["download_info"]["archive_info"]["hashes"]["sha256"],
        )


def lock() -> None:
    """Write packaging/wheels/ anew. What the base carries, no other part carries again."""
    carried: set[str] = set()
    for part in PARTS:
        found: dict[tuple[str, str], set[str]] = {}
        for python in PYTHONS:
            for wheel in resolved(part, python):
                if wheel.project not in carried:
                    found.setdefault((wheel.project, wheel.version), set()).add(wheel.sha256)
        lines = (
            " ".join([f"{project}=={version}", *(f"--hash=sha256:{digest}" for digest in sorted(digests))])
            for (project, version), digests in sorted(found.items())
        )
        (LOCKED / f"{part.name}.txt").write_text("".join(f"{line}\n" for line in lines))
        if part.extra is None:
            carried = {project for project, _ in found}


def unpack(out: Path, parts: Iterable[Part] = PARTS) -> None:
    """Put the wheels of each part below `out`, those of all its Pythons into one directory."""
    for part in parts:
        for python in part.pythons:
            with tempfile.TemporaryDirectory() as scratch:
                pip(
                    "install", "--quiet", "--no-deps", "--no-compile", "--require-hashes", "--only-binary", ":all:",
                    "--target", scratch, "--python-version", python, *PLATFORMS,
                    "--requirement", str(LOCKED / f"{part.name}.txt"),
                )  # fmt: skip
                merge(Path(scratch), out / part.folder)


def merge(tree: Path, into: Path) -> None:
    """Move a tree into another. Raises ValueError where both have a file with unlike content.

    Compiled files carry their Python's name, so that those of several Pythons lie side by side; all else is the same.
    """
    for path in sorted(tree.rglob("*")):
        name = path.relative_to(tree)
        if path.is_dir() or name.parts[0] == "bin" or path.name in _LEFT_OUT:
            continue
        target = into / name
        if target.exists() and ".dist-info" not in name.parts[0] and target.read_bytes() != path.read_bytes():
            raise ValueError(f"{name} is not the same for every Python: {into.name} cannot serve them together")
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["lock"]:
            lock()
        case ["unpack", out, *names]:
            unpack(Path(out), [part for part in PARTS if not names or part.name in names])
        case _:
            sys.exit(__doc__)
