"""The wheels that packages carry: locked for all that pyproject.toml asks for, in the versions that tests ran with."""

import re
import tomllib

import pytest

from tests.packages.conftest import TOP

PROJECT = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
ASKED = {
    "base": PROJECT["dependencies"],
    **{name: PROJECT["optional-dependencies"][name] for name in ("page", "accelerator", "fleet")},
}


def locked(text: str) -> set[tuple[str, str]]:
    return set(re.findall(r"^([a-z0-9-]+)==([^\s;]+)", text, re.MULTILINE))


@pytest.mark.parametrize("part", ASKED)
def test_every_part_is_locked_as_the_tests_are(part: str) -> None:
    """Where this fails: packaging/lock, or packaging/wheels.py lock where only the wheels are behind."""
    text = (TOP / f"packaging/wheels/{part}.txt").read_text()
    wheels = locked(text)
    versions = locked((TOP / "requirements.lock").read_text())
    assert {f"{name}=={version}" for name, version in wheels - versions} == set()
    names = {name for name, _ in wheels}
    assert {re.split(r"[\[<>=]", asked)[0] for asked in ASKED[part]} - names == set()
    assert all(re.fullmatch(r"\S+==\S+( --hash=sha256:[0-9a-f]{64})+", line) for line in text.splitlines())
