"""The manual tells of every command, option, argument and document, in pages that the manual reader takes."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click import Context, Group

from probe.cli.commands import COMMANDS
from probe.cli.main import application
from probe.schemas import Schema

TOP = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Every page as a person reads it, by name and section."""
    lacking = [name for name in ("scdoc", "man") if shutil.which(name) is None]
    if lacking and os.environ.get("LINKPROBE_MANUAL") != "required":
        pytest.skip(f"the manual needs {', '.join(lacking)}")
    assert not lacking
    out = tmp_path_factory.mktemp("man")
    made = subprocess.run(
        [sys.executable, TOP / "packaging/manual.py", out], capture_output=True, text=True, check=False
    )
    assert made.returncode == 0, made.stderr
    found = {}
    for path in sorted(out.iterdir()):
        environment = {**os.environ, "MANWIDTH": "80", "LC_ALL": "C.UTF-8", "MAN_KEEP_FORMATTING": "", "MANOPT": ""}
        read = subprocess.run(
            ["man", "--warnings", "-l", path], env=environment, capture_output=True, text=True, check=True
        )
        assert read.stderr == "", path.name
        plain = re.sub(r"\x1b\[[0-9;]*m|.\x08", "", read.stdout)
        assert max(map(len, plain.splitlines())) <= 80, path.name
        found[path.name] = re.sub(r"[\u2010-]\n\s+", "", plain)
    return found


def test_every_command_has_a_page_with_every_option(pages: dict[str, str]) -> None:
    root = application()
    context = Context(root, info_name="linkprobe")
    for row in COMMANDS:
        page = pages[f"linkprobe-{row.name}.1"]
        command = root.get_command(context, row.name)
        assert command is not None
        commands = (
            [command.get_command(context, part.name) for part in row.parts] if isinstance(command, Group) else [command]
        )
        for one in commands:
            for option in (
                text for parameter in (one.params if one else ()) for text in parameter.opts if text.startswith("-")
            ):
                assert option in page, (row.name, option)
        assert "EXIT STATUS" in page
        assert f"linkprobe-{row.name}(1)" in pages["linkprobe.1"]


def test_every_format_that_is_kept_has_a_page(pages: dict[str, str]) -> None:
    told = "".join(text for name, text in pages.items() if name.endswith(".5"))
    for schema in (Schema.SNAPSHOT, Schema.STORE):
        assert schema in told
    for name in ("snapshot", "record", "expectations", "config", "metrics", "store", "plan", "qualification"):
        assert f"linkprobe-{name}.5" in pages


def test_the_guide_shows_what_the_program_prints(pages: dict[str, str]) -> None:
    guide = pages["linkprobe-guide.7"]
    for words in ("2 downtrained, 1 capped", "width fell from x4 to x2", "58 correctable errors", "earthed ESD strap"):
        assert words in guide
    for word in ("full", "limited", "downtrained", "capped", "resting", "empty", "unjudged"):
        assert re.search(rf"^ +{word}$", guide, re.MULTILINE)


def test_links_between_pages_lead_somewhere(pages: dict[str, str]) -> None:
    named = {
        f"{name}.{section}"
        for text in pages.values()
        for name, section in re.findall(r"(linkprobe(?:-[a-z-]+)?)\((\d)\)", text)
    }
    assert named <= set(pages)
