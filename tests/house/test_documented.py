"""Whatever a person can run or read has its page in the manual, and README names it."""

import re
from pathlib import Path

import pytest

from probe.cli.commands import COMMANDS
from probe.schemas import Schema

TOP = Path(__file__).parents[2]
MAN = TOP / "packaging/man"
README = (TOP / "README.md").read_text()
PAGES = {path.name.removesuffix(".scd.in"): path.read_text() for path in MAN.glob("*.scd.in")}


@pytest.mark.parametrize("name", [row.name for row in COMMANDS])
def test_every_command_has_a_page_with_an_example(name: str) -> None:
    page = f"linkprobe-{name}.1"
    assert page in PAGES, f"write packaging/man/{page}.scd.in with # EXAMPLES; options and help come by themselves"
    assert re.search(r"^# EXAMPLE", PAGES[page], re.MULTILINE), f"packaging/man/{page}.scd.in: give it # EXAMPLES"


@pytest.mark.parametrize("name", [row.name for row in COMMANDS])
def test_readme_names_every_command(name: str) -> None:
    named = f"linkprobe {name}" in README or f"linkprobe-{name}(1)" in README
    assert named, f"README.md: give linkprobe {name} a row under Everyday use"


@pytest.mark.parametrize("schema", sorted(set(Schema) - {Schema.STORE}))
def test_every_document_stands_in_a_page(schema: str) -> None:
    """The store is described by its rows."""
    listed = re.findall(r"^@fields (.*)$", "\n".join(PAGES.values()), re.MULTILINE)
    named = {name for line in listed for name in line.split()}
    assert schema in named, (
        f"add {schema} to @fields of packaging/man/linkprobe-documents.5.scd.in, or of a page of its own"
    )


def test_no_page_is_of_a_command_that_is_gone() -> None:
    commands = {"linkprobe.1", *(f"linkprobe-{row.name}.1" for row in COMMANDS)}
    assert {name for name in PAGES if name.endswith(".1")} == commands


@pytest.mark.parametrize("page", sorted(name for name in PAGES if not name.endswith(".1")))
def test_readme_leads_to_every_guide_and_format(page: str) -> None:
    name, section = page.rsplit(".", 1)
    assert f"{name}({section})" in README, f"README.md: name {name}({section}) under Read on"


def test_every_alert_stands_in_the_guide() -> None:
    alerts = re.findall(r"- alert: (\w+)", (TOP / "packaging/monitoring/alerts.yml").read_text())
    assert [name for name in alerts if f"*{name}*" not in PAGES["linkprobe-guide.7"]] == []
