"""Ingest: each file once, whatever happens; nothing dropped; older and newer schemas; any place fsspec knows."""

import gzip
import json
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from probe.exceptions import DocumentError, InputError
from probe.fleet.engine import opened
from probe.fleet.ingest import Ingested, ingest
from probe.fleet.parts import Part, Store, arrow_schema, readable
from probe.fleet.questions import latest
from probe.fleet.rows import LinkRow
from probe.schemas import Schema
from tests.fleet.conftest import Filled

CAPTURED = Path(__file__).parents[1] / "captured" / "accelerator-soak.jsonl"


def count(store: Store) -> int:
    with opened(store) as links:
        return int(links.count().to_pyarrow().as_py())


def test_again_takes_nothing(filled: Filled) -> None:
    assert ingest([filled.spools], filled.store) == Ingested(known=120)
    assert count(filled.store) == 40 * 3 * 12


def test_on_several_processors(tmp_path: Path, filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probe.fleet.ingest._FEW", 0)
    store = Store(str(tmp_path))
    assert ingest([filled.spools], store, batch=40).taken == 120
    assert count(store) == 40 * 3 * 12
    assert ingest([filled.spools], store) == Ingested(known=120)


def test_what_cannot_be_used_is_set_aside_once_with_the_reason(tmp_path: Path, filled: Filled) -> None:
    spool, store = tmp_path / "spool", Store(str(tmp_path / "store"))
    spool.mkdir()
    good = next(filled.spools.glob("*/*.json.gz")).read_bytes()
    (spool / "1.json.gz").write_bytes(good[:-200])
    (spool / "2.json").write_text('{"schema":"linkprobe/snapshot/9"}')
    (spool / "3.json").write_bytes(b"")
    (spool / "4.json.gz").write_bytes(good)
    (spool / ".5.json.gz").write_bytes(b"still being written")
    done = ingest([spool], store)
    assert (done.taken, len(done.set_aside)) == (1, 3)
    assert "damaged" in done.set_aside[0]
    assert "newer linkprobe" in done.set_aside[1]
    aside = sorted((tmp_path / "store" / "aside").iterdir())
    assert len(aside) == 6
    assert good[:-200] in {path.read_bytes() for path in aside}
    assert ingest([spool], store) == Ingested(known=4)


def test_a_soak_record_is_taken_in(tmp_path: Path) -> None:
    store = Store(str(tmp_path))
    done = ingest([CAPTURED], store)
    assert (done.taken, done.set_aside) == (1, ())
    with opened(store) as links:
        assert set(links.origin.to_pyarrow().to_pylist()) == {"soak"}


def test_a_snapshot_of_another_version_is_judged_anew(tmp_path: Path, filled: Filled) -> None:
    document = json.loads(gzip.decompress(next(filled.spools.glob("*/*.json.gz")).read_bytes()))
    document |= {"written_by": "linkprobe 0.0.1", "links": []}
    (tmp_path / "old.json").write_text(json.dumps(document))
    assert ingest([tmp_path / "old.json"], Store(str(tmp_path / "store"))).rows == 12


def test_any_place_that_fsspec_knows(filled: Filled) -> None:
    store = Store("memory://fleet")
    try:
        ingest([filled.spools], store, batch=50)
        assert count(store) == 40 * 3 * 12
    finally:
        store.filesystem.rm(store.root, recursive=True)


def test_writers_that_took_some_of_the_same_files(tmp_path: Path, filled: Filled) -> None:
    """Two at once each see an empty store; batches of different sizes overlap."""
    store = Store(str(tmp_path))
    for batch in (7, 50, 50):
        other = Store(str(tmp_path / f"{batch}"))
        ingest([filled.spools], other, batch=batch)
        for part in other.parts():
            name = part.path.removeprefix(other.root)
            store.filesystem.makedirs((store.root + name).rpartition("/")[0], exist_ok=True)
            store.filesystem.cp(part.path, store.root + name)
        store.filesystem.rm(other.root, recursive=True)
    assert count(store) == 40 * 3 * 12


def test_two_at_once(tmp_path: Path, filled: Filled) -> None:
    """Two processes, the same spool, the same batches."""
    program = (
        "import sys; from pathlib import Path; from probe.fleet.ingest import ingest; from probe.fleet.parts import Store;"
        "ingest([Path(sys.argv[1])], Store(sys.argv[2]), batch=4)"
    )
    command = [sys.executable, "-c", program, str(filled.spools), str(tmp_path)]
    both = [subprocess.Popen(command, cwd=CAPTURED.parents[2]) for _ in range(2)]
    assert [process.wait(60) for process in both] == [0, 0]
    assert count(Store(str(tmp_path))) == 40 * 3 * 12


def test_a_damaged_part_is_named(tmp_path: Path, filled: Filled) -> None:
    store = Store(str(tmp_path))
    ingest([next(filled.spools.iterdir())], store)
    path = Path(store.parts()[0].path)
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(DocumentError, match=f"{path.name}: is a damaged part"):
        store.parts()


def test_each_file_once_whatever_overlaps() -> None:
    parts = [
        Part("a", frozenset("12")),
        Part("b", frozenset("23")),
        Part("c", frozenset("3")),
        Part("d", frozenset("45")),
    ]
    found = readable(parts)
    assert found.whole == ["a", "d"]
    assert found.partial == [("b", ["2"])]


def test_a_part_of_an_older_schema_reads_as_null(tmp_path: Path, filled: Filled) -> None:
    store = Store(str(tmp_path / "store"))
    ingest([next(filled.spools.iterdir())], store)
    (path, *_) = (Path(part.path) for part in store.parts())
    table = pq.read_table(path, partitioning=None)
    pq.write_table(table.drop_columns(["reason"]), path)
    with opened(store) as links:
        found = links.filter(links.date == path.parent.name.removeprefix("date=")).to_pyarrow()
    assert found.column_names == list(LinkRow.__struct_fields__)
    assert found["reason"].null_count == len(found) == 12


def test_a_part_of_a_newer_schema_is_refused(tmp_path: Path) -> None:
    store = Store(str(tmp_path))
    folder = tmp_path / "links" / "date=2026-01-05"
    folder.mkdir(parents=True)
    newer = arrow_schema().with_metadata({"linkprobe.schema": "linkprobe/store/2", "linkprobe.files": "[]"})
    pq.write_table(pa.table({name: [] for name in newer.names}, schema=newer), folder / "x.parquet")
    with pytest.raises(DocumentError, match=f"linkprobe/store/2, not {Schema.STORE}"):
        store.parts()


def test_places_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is no place for a store"):
        Store("nosuch://x")
    with pytest.raises(InputError, match="is not there"):
        ingest([tmp_path / "none"], Store(str(tmp_path)))
    with pytest.raises(DocumentError, match="holds nothing"), opened(Store(str(tmp_path))):
        pass
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputError, match="cannot be written"):
        ingest([CAPTURED], Store(str(tmp_path / "file")))


def test_latest_reads_many_parts(tmp_path: Path, filled: Filled) -> None:
    store = Store(str(tmp_path))
    ingest([filled.spools], store, batch=5)
    assert len(store.parts()) == 24
    with opened(store) as links:
        assert latest(links).count().to_pyarrow().as_py() == 40 * 12
