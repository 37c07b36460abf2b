"""Every question answers alike on DuckDB and on Spark, on a path and on an object store."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from probe.fleet.asking import answers
from probe.fleet.ingest import ingest
from probe.fleet.keeping import compact, forget
from probe.fleet.table import Store
from tests.fleet.conftest import Filled
from tests.fleet.every import EVERY
from tests.fleet.messy import MESSY_NOW_S, write_messy
from tests.fleet.objects import object_store
from tests.fleet.test_ingest import every_row

TOP = Path(__file__).parents[2]
spark = pytest.mark.skipif(
    shutil.which("java") is None and os.environ.get("LINKPROBE_SPARK") != "required", reason="needs Java"
)


def every_answer(url: str, engine: str) -> dict[str, list[dict[str, Any]]]:
    """Every question's answer."""
    found = answers(Store(url), *EVERY.values(), engine=engine)
    return {name: table.to_pylist() for name, table in zip(EVERY, found.tables, strict=True)}


_ON_SPARK = """
import json, sys
from tests.fleet.test_engines import every_answer
print(json.dumps(every_answer(sys.argv[1], "spark")))
"""


def on_spark(url: str) -> Any:
    """In a process of its own: pyspark leaves its sockets to the garbage collector."""
    done = subprocess.run([sys.executable, "-c", _ON_SPARK, url], capture_output=True, cwd=TOP, check=False, text=True)
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout.splitlines()[-1])


@pytest.fixture(scope="module")
def messy(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Store]:
    top = tmp_path_factory.mktemp("messy")
    write_messy(top / "spools")
    store = Store(str(top / "store"))
    ingest([top / "spools"], store, now_s=MESSY_NOW_S)
    return top / "spools", store


@pytest.fixture(scope="module")
def remote(messy: tuple[Path, Store]) -> Iterator[Store]:
    with object_store() as url:
        store = Store(url)
        ingest([messy[0]], store, now_s=MESSY_NOW_S)
        yield store


def test_the_object_store_holds_the_same_rows(messy: tuple[Path, Store], remote: Store) -> None:
    assert every_row(remote) == every_row(messy[1])
    assert every_answer(remote.url, "duckdb") == every_answer(messy[1].url, "duckdb")


def test_questions_have_something_to_find(messy: tuple[Path, Store]) -> None:
    found = every_answer(messy[1].url, "duckdb")
    assert [name for name, rows in found.items() if not rows] == []


@spark
def test_spark_answers_as_duckdb_does_on_a_path(messy: tuple[Path, Store]) -> None:
    assert on_spark(messy[1].url) == json.loads(json.dumps(every_answer(messy[1].url, "duckdb")))


@spark
def test_spark_answers_as_duckdb_does_on_an_object_store(messy: tuple[Path, Store], remote: Store) -> None:
    assert on_spark(remote.url) == json.loads(json.dumps(every_answer(messy[1].url, "duckdb")))


def test_keeping_works_on_an_object_store(filled: Filled) -> None:
    with object_store() as url:
        store = Store(url)
        folders = sorted(path for path in filled.spools.iterdir() if path.is_dir())
        for folder in folders[:3]:
            ingest([folder], store)
        compact(store, settle_days=0)
        assert len(every_row(store)["hosts"]) == 3
        forget(store, folders[1].name)
        assert len(every_row(store)["hosts"]) == 2


def test_two_writers_on_an_object_store(filled: Filled) -> None:
    """No lock there: the second to commit looks again and does it anew."""
    program = (
        "import sys; from pathlib import Path; from probe.fleet.ingest import ingest; from probe.fleet.table import Store\n"
        "for folder in sys.argv[2:]: ingest([Path(folder)], Store(sys.argv[1]))"
    )
    with object_store() as url:
        folders = [str(path) for path in sorted(filled.spools.iterdir()) if path.is_dir()][:12]
        both = [
            subprocess.Popen([sys.executable, "-c", program, url, *folders[start::2]], cwd=TOP) for start in range(2)
        ]
        assert [process.wait(120) for process in both] == [0, 0]
        hosts = every_row(Store(url))["hosts"]
    assert sorted(row["name"] for row in hosts) == [Path(folder).name for folder in folders]
