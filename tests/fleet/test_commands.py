"""The fleet commands as a person types them."""

import csv
import gzip
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from probe.fleet.ingest import ingest
from probe.fleet.table import Store
from tests.conftest import Run
from tests.fleet.conftest import Filled
from tests.fleet.messy import MESSY_NOW_S, write_messy
from tests.fleet.test_ingest import damage

QUESTIONS = {
    "below": 1, "outliers": 1, "errors": 1, "inventory": 0, "trained": 0, "silent": 1, "flapping": 1, "results": 1,
    "history r3-02": 0, f"where {2602:016x}": 0, "racks ^(r[0-9]+)-": 1, "compare ^r1- ^r2-": 1, "outliers --margin": 1,
}  # fmt: skip


@pytest.fixture(scope="module")
def messy(tmp_path_factory: pytest.TempPathFactory) -> str:
    top = tmp_path_factory.mktemp("messy")
    write_messy(top / "spools")
    store = Store(str(top / "store"))
    ingest([top / "spools"], store, now_s=MESSY_NOW_S)
    return store.url


def test_from_a_made_up_fleet_to_an_answer(run: Run, tmp_path: Path) -> None:
    spools, store = tmp_path / "spools", tmp_path / "store"
    status, out, _ = run("fleet", "simulate", spools, "--hosts", 12, "--days", 2, "--faults", 4, "--links", 8)
    assert (status, "12 hosts, 24 snapshots, 4 faults" in out) == (0, True)
    assert run("audit", next(spools.glob("*/*.json.gz")), "--quiet")[0] in {0, 1}
    assert run("fleet", "ingest", spools, "--store", store)[:2] == (0, "24 files taken in, 0 known, 0 set aside\n")
    planted = list(csv.DictReader((spools / "planted.csv").read_text().splitlines()))
    for question, faults in (
        ("below", {"width", "speed"}), ("outliers", {"width", "speed", "narrow slot"}), ("errors", {"errors"}),
    ):  # fmt: skip
        _, out, _ = run("fleet", question, "--store", store, "--format", "json")
        wanted = {(item["host"], item["address"]) for item in planted if item["fault"] in faults}
        assert {(item["host"], item["address"]) for item in json.loads(out)} == wanted or question == "outliers"
    status, _, err = run("fleet", "simulate", spools)
    assert (status, "is not an empty directory" in err) == (64, True)


@pytest.mark.parametrize("question", QUESTIONS)
def test_formats_and_exit_status(run: Run, messy: str, question: str) -> None:
    name, *arguments = question.split()
    status, out, _ = run("fleet", name, *arguments, "--store", messy, "--format", "json")
    as_json = json.loads(out)
    as_csv = list(csv.DictReader(io.StringIO(run("fleet", name, *arguments, "--store", messy, "--format", "csv")[1])))
    assert len(as_json) == len(as_csv) > 0
    assert list(as_json[0]) == list(as_csv[0])
    # The captured soak of the messy fleet passed or failed as its own tests say; only its being told is asked here.
    assert status == QUESTIONS[question] or name == "results"


@pytest.mark.parametrize("question", [name for name in QUESTIONS if not name.startswith("history")])
@pytest.mark.parametrize("columns", [80, 120])
def test_a_screen_breaks_no_place(
    run: Run, messy: str, monkeypatch: pytest.MonkeyPatch, question: str, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    name, *arguments = question.split()
    out = run("fleet", name, *arguments, "--store", messy)[1]
    lines = out.splitlines()
    assert max(map(len, lines)) <= columns
    if name in {"below", "errors", "flapping"}:
        assert "0000:00:0" in out
        assert lines[0].startswith("host")


def test_fatal_errors_are_urgent(run: Run, tmp_path: Path, filled: Filled) -> None:
    spool = next(path for path in filled.spools.iterdir() if path.is_dir())
    for number, path in enumerate(sorted(spool.glob("*.json.gz"))):
        text = gzip.decompress(path.read_bytes()).decode()
        text = (
            text.replace("TOTAL_ERR_FATAL 0", f"TOTAL_ERR_FATAL {number}")
            .replace("SDES 0", f"SDES {number}")
            .replace("linkprobe 0.1.0", "linkprobe 0.0.1")
        )
        (tmp_path / path.name).write_bytes(gzip.compress(text.encode()))
    store = tmp_path / "store"
    assert run("fleet", "ingest", tmp_path, "--store", store)[0] == 0
    assert run("fleet", "errors", "--store", store)[0] == 2


def test_history_of_one_host(run: Run, filled: Filled) -> None:
    status, out, _ = run("fleet", "history", filled.planted[0].host, "--store", filled.store.url, "--format", "csv")
    assert status == 0
    assert len(out.splitlines()) == 1 + 12
    assert run("fleet", "history", "nobody", "--store", filled.store.url)[1] == "Nothing found.\n"


def test_hosts_never_heard_of(run: Run, filled: Filled, tmp_path: Path) -> None:
    (tmp_path / "names").write_text("mast-000001\nghost\n")
    out = run("fleet", "silent", "--store", filled.store.url, "--hosts", tmp_path / "names", "--format", "json")[1]
    assert json.loads(out)[0]["host"] == "ghost"
    assert "mast-000001" in {item["host"] for item in json.loads(out)}


def test_what_is_set_aside_is_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text("{}")
    status, out, err = run("fleet", "ingest", tmp_path / "x.json", "--store", tmp_path / "store")
    assert status == 1
    assert "1 set aside" in out
    assert "x.json: is not a linkprobe document" in err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["below", "--store", "STORE", "--engine", "abacus"], "abacus: is no engine"),
        (["below", "--store", "none"], "holds nothing"),
        (["racks", "^r[0-9]+", "--store", "STORE"], "names no rack"),
        (["compare", "(", "b", "--store", "STORE"], "is no pattern"),
        (["errors", "--store", "STORE", "--correctable", "many"], "is no limit"),
        (["silent", "--store", "STORE", "--after", "long"], "is no age"),
        (["silent", "--store", "STORE", "--hosts", "/nowhere"], "cannot be read"),
        (["forget", "nobody", "--store", "STORE"], "is no host of this store"),
    ],
)
def test_errors_are_one_sentence(run: Run, filled: Filled, tmp_path: Path, arguments: list[str], sentence: str) -> None:
    where = {"STORE": filled.store.url, "none": str(tmp_path / "none")}
    status, _, err = run("fleet", *(where.get(item, item) for item in arguments))
    assert status == 64
    assert sentence in err
    assert len(err.splitlines()) == 1


def test_a_damaged_part_is_named_and_the_rest_answers(run: Run, tmp_path: Path, filled: Filled) -> None:
    store = Store(str(tmp_path / "store"))
    ingest([filled.spools], store)
    name = damage(store, "rises").name
    status, out, err = run("fleet", "below", "--store", store.url)
    assert (status, len(out.splitlines()) > 1) == (1, True)
    status, out, err = run("fleet", "errors", "--store", store.url)
    assert status == 3  # nothing found, but not all could be looked at
    assert name in err
    assert len(err.splitlines()) == 1


def test_page_and_the_pages_behind_it(run: Run, messy: str, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert run("fleet", "page", "--store", messy, "-o", page, "--rack", "^(r[0-9]+)-")[0] == 0
    text = page.read_text()
    assert "Fleet of 40 hosts" in text
    assert "rack r1" in text
    assert "<svg" in text
    hosts = sorted((tmp_path / "page-hosts").iterdir())
    assert any("r3-05" in path.name for path in hosts)
    assert f'href="page-hosts/{hosts[0].name}"' in text
    assert "Every link, from when to when" in hosts[0].read_text()


@pytest.mark.parametrize("arguments", [["--help"]])
def test_help_works_without_the_extra(arguments: list[str]) -> None:
    done = without_the_extra("fleet", *arguments)
    assert (done.returncode, "Usage" in done.stdout) == (0, True), done.stderr


def test_without_the_extra(tmp_path: Path) -> None:
    done = without_the_extra("fleet", "below", "--store", str(tmp_path))
    assert (done.returncode, done.stdout) == (64, "")
    assert done.stderr.endswith("the package linkprobe-fleet, or pip install linkprobe[fleet]\n")


def without_the_extra(*arguments: str) -> subprocess.CompletedProcess[str]:
    script = (
        "import sys\nfor name in ('ibis', 'deltalake', 'duckdb', 'pyarrow'): sys.modules[name] = None\n"
        f"sys.argv = ['linkprobe', *{arguments!r}]\nfrom probe.cli.main import main; main()"
    )
    return subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
