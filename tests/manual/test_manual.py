"""The manual tells of every command, option, argument and document, in pages that the manual reader takes."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from pkgutil import resolve_name

import msgspec
import pytest
from click import Context, Group

from probe.cli.commands import COMMANDS
from probe.cli.main import application
from probe.schemas import TYPES, Schema

TOP = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Every page as a person reads it at 80 columns, by name and section."""
    lacking = [name for name in ("scdoc", "man") if shutil.which(name) is None]
    if lacking and os.environ.get("LINKPROBE_MANUAL") != "required":
        pytest.skip(f"the manual needs {', '.join(lacking)}")
    assert not lacking
    out = tmp_path_factory.mktemp("man")
    made = subprocess.run(
        [sys.executable, TOP / "packaging/man", out], env={**os.environ, "PYTHONPATH": str(TOP)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    found = {}
    for path in sorted(out.iterdir()):
        environment = {**os.environ, "MANWIDTH": "80", "LC_ALL": "C.UTF-8", "MAN_KEEP_FORMATTING": "", "MANOPT": ""}
        read = subprocess.run(
            ["man", "--warnings", "-l", path], env=environment, capture_output=True, text=True, check=True
        )
        assert read.stderr == "", path.name
        plain = re.sub(r"\x1b\[[0-9;]*m|.\x08", "", read.stdout)
        found[path.name] = plain
    return found


@pytest.fixture(scope="session")
def pages(printed: dict[str, str]) -> dict[str, str]:
    """The pages without the hyphens that the reader put in."""
    return {name: re.sub(r"[\u2010-]\n\s+", "", text) for name, text in printed.items()}


def test_no_line_is_wider_than_a_screen_of_80(printed: dict[str, str]) -> None:
    wide = [(name, line) for name, text in printed.items() for line in text.splitlines() if len(line) > 80]
    assert wide == []


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


@pytest.mark.parametrize("schema", Schema)
def test_every_field_of_every_document_is_told(schema: Schema, pages: dict[str, str]) -> None:
    """By the JSON Schema, which another library makes of the same types."""
    told = " ".join("".join(text for name, text in pages.items() if name.endswith(".5")).split())
    defined = msgspec.json.schema(resolve_name(TYPES[schema]))["$defs"]
    names = {name for one in defined.values() for name in one.get("properties", {})}
    assert names
    assert [name for name in sorted(names) if not re.search(rf"\b{name}\b", told)] == []


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
