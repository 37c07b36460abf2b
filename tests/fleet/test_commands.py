"""The fleet commands as a person types them."""

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest
from msgspec.structs import replace

from probe.fleet.parts import Store, new_parts
from tests.conftest import Run
from tests.fleet.conftest import Filled
from tests.fleet.test_questions import PLAIN


def test_from_a_made_up_fleet_to_an_answer(run: Run, tmp_path: Path) -> None:
    spools, store = tmp_path / "spools", tmp_path / "store"
    status, out, _ = run("fleet", "simulate", spools, "--hosts", 12, "--days", 2, "--faults", 4, "--links", 8)
    assert (status, "12 hosts, 24 snapshots, 4 faults" in out) == (0, True)
    assert run("audit", next(spools.glob("*/*.json.gz")), "--quiet")[0] in {0, 1}
    assert run("fleet", "ingest", spools, "--store", store)[:2] == (
        0, "24 files taken in (192 rows), 0 known, 0 set aside\n",
    )  # fmt: skip
    planted = list(csv.DictReader((spools / "planted.csv").read_text().splitlines()))
    _, out, _ = run("fleet", "below", "--store", store, "--format", "json")
    assert {item["host"] for item in json.loads(out)} == {
        item["host"] for item in planted if item["fault"] in {"width", "speed"}
    }
    status, _, err = run("fleet", "simulate", spools)
    assert (status, "is not an empty directory" in err) == (64, True)


@pytest.mark.parametrize("question", ["below", "outliers", "errors", "inventory"])
def test_formats(run: Run, filled: Filled, question: str) -> None:
    store = filled.store.url
    as_json = json.loads(run("fleet", question, "--store", store, "--format", "json")[1])
    as_csv = list(csv.DictReader(io.StringIO(run("fleet", question, "--store", store, "--format", "csv")[1])))
    assert len(as_json) == len(as_csv) > 0
    assert list(as_json[0]) == list(as_csv[0])
    table = run("fleet", question, "--store", store)[1]
    assert len(table.splitlines()) > len(as_json)
    assert max(map(len, table.splitlines())) <= 120


@pytest.mark.parametrize(("question", "status"), [("below", 1), ("outliers", 1), ("errors", 1), ("inventory", 0)])
def test_exit_status(run: Run, filled: Filled, question: str, status: int) -> None:
    assert run("fleet", question, "--store", filled.store.url)[0] == status


def test_fatal_errors_are_urgent(run: Run, tmp_path: Path) -> None:
    rows = [PLAIN, replace(PLAIN, file_id="g", taken_s=2_000, fatal=1)]
    Store(str(tmp_path)).add(new_parts(rows))
    assert run("fleet", "errors", "--store", tmp_path)[0] == 2
    assert run("fleet", "below", "--store", tmp_path)[0] == 0


@pytest.mark.parametrize("question", ["below", "outliers", "errors", "inventory"])
@pytest.mark.parametrize("columns", [80, 120])
def test_a_screen_breaks_no_address(
    run: Run, filled: Filled, monkeypatch: pytest.MonkeyPatch, question: str, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    out = run("fleet", question, "--store", filled.store.url)[1]
    assert max(map(len, out.splitlines())) <= columns
    assert "16 GT/s x" in out or question == "errors"
    assert "0000:00:01." in out or question == "inventory"


def test_history_of_one_host(run: Run, filled: Filled) -> None:
    status, out, _ = run("fleet", "history", filled.planted[0].host, "--store", filled.store.url, "--format", "csv")
    assert status == 0
    assert len(out.splitlines()) == 1 + 12
    assert run("fleet", "history", "nobody", "--store", filled.store.url)[1] == "Nothing found.\n"


def test_what_is_set_aside_is_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text("{}")
    status, out, err = run("fleet", "ingest", tmp_path / "x.json", "--store", tmp_path / "store")
    assert status == 1
    assert "1 set aside" in out
    assert "x.json: is not a linkprobe document" in err


@pytest.mark.parametrize(
    ("store", "engine", "sentence"), [("", "abacus", "abacus: is no engine"), ("none", "duckdb", "holds nothing")]
)
def test_errors_are_one_sentence(
    run: Run, filled: Filled, tmp_path: Path, store: str, engine: str, sentence: str
) -> None:
    where = tmp_path / store if store else filled.store.url
    status, _, err = run("fleet", "below", "--store", where, "--engine", engine)
    assert status == 64
    assert sentence in err
    assert len(err.splitlines()) == 1


def test_page(run: Run, filled: Filled, tmp_path: Path) -> None:
    assert run("fleet", "page", "--store", filled.store.url, "-o", tmp_path / "page.html")[0] == 0
    assert "Fleet of 40 hosts" in (tmp_path / "page.html").read_text()


def test_without_the_extra(tmp_path: Path) -> None:
    script = (
        "import sys; sys.modules['ibis'] = None; "
        f"sys.argv = ['linkprobe', 'fleet', 'below', '--store', {str(tmp_path)!r}]; "
        "from probe.cli.main import main; main()"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    told = "linkprobe: ibis: is needed for this and not installed; add it: "
    told += "the package linkprobe-fleet, or pip install linkprobe[fleet]\n"
    assert (done.returncode, done.stdout, done.stderr) == (64, "", told)
