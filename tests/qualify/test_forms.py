"""The record in other forms: JUnit, a table of values, a page on a template of one's own."""

import csv
import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from fake_sysfs.demonstration import correlator
from tests.conftest import Run
from tests.qualify.test_commands import plan_of

BODY = """
[[step]]
kind = "snapshot"
links = ["A1*", "A4"]

[[step]]
kind = "soak"
minutes = 0.02
interval_s = 0.2
links = ["A4"]

[[step]]
kind = "command"
run = ["/bin/sh", "-c", "printf '=1+1\\\\n<b>bold</b>\\\\033[31m\\\\n'"]
"""


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return correlator().build().write(tmp_path_factory.mktemp("node") / "tree")


@pytest.fixture
def record(tree: Path, run: Run, tmp_path: Path) -> Path:
    plan = plan_of(tmp_path, BODY, head='title = "Forms"')
    also = [word for name in ("r.html", "r.xml", "r.csv") for word in ("--also", tmp_path / name)]
    words = ("qualify", plan, "--sysfs", tree, "-o", tmp_path / "r.json", "--field", "operator=<Ada>", *also)
    assert run(*words)[0] == 1
    return tmp_path / "r.json"


def test_junit_tells_inconclusive_as_an_error_and_never_as_a_pass(record: Path) -> None:
    suite = ET.parse(record.with_suffix(".xml")).getroot()  # noqa: S314 - our own
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("4", "1", "1")
    found = {
        (case.get("classname"), case.get("name")): [child.tag for child in case] for case in suite.iter("testcase")
    }
    assert found == {
        ("1 snapshot", "slot A1 upper riser (port 0000:00:01.0)"): ["failure"],
        ("1 snapshot", "slot A4 (port 0000:00:04.0)"): [], ("2 soak", "slot A4 (port 0000:00:04.0)"): ["error"],
        ("3 command", "command"): [],
    }  # fmt: skip
    assert "not tested: slot A5" in (suite.findtext("system-out") or "")


def test_the_table_holds_every_value_with_its_unit(record: Path) -> None:
    rows = list(csv.DictReader(record.with_suffix(".csv").read_text().splitlines()))
    at = [row for row in rows if row["link"] == "slot A1 upper riser (port 0000:00:01.0)" and row["step"] == "1"]
    found = {row["quantity"]: (row["value"], row["unit"], row["limit"]) for row in at}
    assert (found["speed"], found["width"]) == (("16.0", "GT/s", "16.0"), ("8", "lanes", "16"))
    sampled = [row for row in rows if row["name"] == "soak" and row["quantity"] == "speed"]
    assert len(sampled) >= 3
    assert {row["value"] for row in sampled} == {"8.0"}
    assert [row["value"] for row in rows if row["quantity"] == "status"] == ["0"]


def test_report_makes_the_same_of_the_record_later(record: Path, run: Run, tmp_path: Path) -> None:
    for name in ("again.html", "again.xml", "again.csv"):
        assert run("report", record, "-o", tmp_path / name)[0] == 0
        assert (tmp_path / name).read_bytes() == record.with_name(f"r{(tmp_path / name).suffix}").read_bytes()
    page = record.with_suffix(".html").read_text()
    assert "&lt;Ada&gt;" in page
    assert "&lt;b&gt;bold&lt;/b&gt;\\x1b[31m" in page
    digests = json.loads(record.read_text())["digests"]
    assert all(text in page for text in digests.values())
    assert "Signatures" not in page


def test_what_identifies_the_machine_is_left_out_of_a_page(record: Path, run: Run, tmp_path: Path) -> None:
    assert run("report", record, "-o", tmp_path / "x.html", "--redact")[0] == 0
    text = (tmp_path / "x.html").read_text()
    for secret in ("correlator-07", "6b1c0f5e-5d0e-4c55-9d6a-2f7f0a4b7c07", "4b-46-00-00-00-00-16-01", "Ada"):
        assert secret in record.with_suffix(".html").read_text()
        assert secret not in text


def test_a_template_of_ones_own(record: Path, run: Run, tmp_path: Path) -> None:
    template = tmp_path / "own.html.j2"
    template.write_text(
        "<h1>{{ record.judged.title }}</h1>{{ record.judged.fields.operator }}|{{ page.verdict }}|"
        "{% for step in record.judged.steps %}{{ step.name }}={{ step.result }};{% endfor %}{{ record.digests.plan }}"
    )
    assert run("report", record, "-o", tmp_path / "own.html", "--template", template)[0] == 0
    digest = json.loads(record.read_text())["digests"]["plan"]
    steps = "snapshot=failed;soak=inconclusive;command=passed;"
    assert (tmp_path / "own.html").read_text() == f"<h1>Forms</h1>&lt;Ada&gt;|failed|{steps}{digest}"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x\n{{ record.nothing }}", "own.j2 line 2: cannot be filled in"),
        ("{% for %}", "own.j2 line 1: is no template"),
        ("{{ ''.__class__.__mro__ }}", "unsafe"),
        ("{{ record.judged.fields.update(a=1) }}", "unsafe"),
        ("{% include '/etc/passwd' %}", "cannot be filled in"),
        ("{{ range(10 ** 9) | list }}", "cannot be filled in"),
        ("{{ 1 / 0 }}", "cannot be filled in"),
        ("\\xff", None),
    ],
)
def test_a_template_reaches_nothing_but_what_it_is_given(
    record: Path, run: Run, tmp_path: Path, text: str, words: str | None
) -> None:
    template = tmp_path / "own.j2"
    template.write_bytes(text.encode() if words else b"\xff\xfe")
    status, _, told = run("report", record, "-o", tmp_path / "own.html", "--template", template)
    assert status == 64
    assert (words or "is not UTF-8 text") in told
    assert len(told.splitlines()) == 1
    assert not (tmp_path / "own.html").exists()


def test_a_form_that_there_is_not_is_refused_before_anything_is_done(tree: Path, run: Run, tmp_path: Path) -> None:
    plan = plan_of(tmp_path, BODY)
    status, _, told = run("qualify", plan, "--sysfs", tree, "-o", tmp_path / "r.json", "--also", tmp_path / "r.pdf")
    assert (status, "ends in no form that there is" in told) == (64, True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.toml"]
