"""Ingest: each snapshot once, whatever happens; nothing dropped; older and newer documents; object stores."""

import gzip
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from deltalake import DeltaTable, write_deltalake

from fake_sysfs.demonstration import correlator
from probe.exceptions import DocumentError, InputError
from probe.fleet import ingest as module
from probe.fleet.columns import whole_schema
from probe.fleet.engine import opened
from probe.fleet.ingest import Ingested, ingest
from probe.fleet.rows import OF_HOSTS
from probe.fleet.table import Store
from tests.conftest import Run
from tests.fleet.conftest import FLEET, Filled

TOP = Path(__file__).parents[2]
CAPTURED = TOP / "tests/captured/two-accelerators-soak.jsonl"
FILES = FLEET.hosts * FLEET.days


def every_row(store: Store) -> dict[str, list[dict[str, Any]]]:
    """All rows of a store but the chronicles, whose numbering tells the order of coming."""
    version = store.version()
    assert version is not None
    found = {}
    for kind in OF_HOSTS:
        if kind != "chronicles":
            rows = [row for part in version.parts if part.kind == kind for row in store.read(part).to_pylist()]
            found[kind] = sorted(rows, key=str)
    return found


def snapshots(store: Store) -> int:
    with opened(store) as tables:
        return int(tables.hosts.snapshots.sum().to_pyarrow().as_py())


def test_again_takes_nothing(filled: Filled) -> None:
    assert ingest([filled.spools], filled.store) == Ingested(known=FILES)
    assert snapshots(filled.store) == FILES


def test_in_any_pieces_the_rows_are_the_same(tmp_path: Path, filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    """One file at a time from the last to the first, and buckets of three hosts, on several processors."""
    monkeypatch.setattr(module, "MOST_HOSTS", 3)
    store = Store(str(tmp_path))
    files = sorted(filled.spools.glob("*/*.json.gz"), key=lambda path: path.name, reverse=True)
    for start in range(0, len(files), 40):
        monkeypatch.setattr(module, "_FEW", 0 if start == 0 else 512)
        ingest(files[start : start + 40], store)
    version = store.version()
    assert version is not None
    assert len(version.buckets) > 10
    assert every_row(store) == every_row(filled.store)


def test_what_cannot_be_used_is_set_aside_once_with_the_reason(tmp_path: Path, filled: Filled) -> None:
    spool, store = tmp_path / "spool", Store(str(tmp_path / "store"))
    spool.mkdir()
    good = next(filled.spools.glob("*/*.json.gz")).read_bytes()
    (spool / "1.json.gz").write_bytes(good[:-200])
    (spool / "2.json").write_text('{"schema":"linkprobe/snapshot/9"}')
    (spool / "3.json").write_bytes(b"")
    (spool / "4.json.gz").write_bytes(good)
    (spool / ".5.json.gz").write_bytes(b"still being written")
    (spool / "6.json").mkdir()
    done = ingest([spool], store)
    assert (done.taken, len(done.set_aside)) == (1, 3)
    assert any("1.json.gz: is damaged" in reason for reason in done.set_aside)
    assert any("newer linkprobe" in reason for reason in done.set_aside)
    assert ingest([spool], store) == Ingested(known=4)
    assert (spool / "1.json.gz").exists()
    (spool / "1.json.gz").write_bytes(good)
    assert ingest([spool], store) == Ingested(known=4)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_stops_nothing(tmp_path: Path, filled: Filled) -> None:
    for number, path in enumerate(sorted(filled.spools.glob("*/*.json.gz"))[:2]):
        (tmp_path / f"{number}.json.gz").write_bytes(path.read_bytes())
    (tmp_path / "0.json.gz").chmod(0)
    done = ingest([tmp_path], Store(str(tmp_path / "store")))
    assert (done.taken, len(done.set_aside)) == (1, 1)


def test_a_soak_record_gives_its_snapshots_and_its_result(tmp_path: Path) -> None:
    store = Store(str(tmp_path / "store"))
    assert ingest([CAPTURED], store).taken == 1
    assert ingest([CAPTURED], store) == Ingested(known=1)
    rows = every_row(store)
    assert rows["links"]
    assert {row["test"] for row in rows["results"]} == {"soak"}


def test_a_record_that_has_come_further_replaces_what_it_said(tmp_path: Path) -> None:
    whole = CAPTURED.read_bytes().splitlines(keepends=True)
    early, late = tmp_path / "early.jsonl", tmp_path / "late.jsonl"
    early.write_bytes(b"".join(whole[: len(whole) // 2]))
    late.write_bytes(b"".join(whole))
    one, other = Store(str(tmp_path / "one")), Store(str(tmp_path / "other"))
    for path in (early, late):
        ingest([path], one)
    for path in (late, early):
        ingest([path], other)
    assert every_row(one) == every_row(other)
    assert every_row(one)["results"]


def test_a_test_that_names_no_host_is_set_aside(tmp_path: Path) -> None:
    (tmp_path / "m.json").write_text('{"schema":"linkprobe/margin/1","links":[]}')
    done = ingest([tmp_path / "m.json"], Store(str(tmp_path / "store")))
    assert "names no host" in done.set_aside[0]


def test_a_margin_that_names_its_host_is_kept(tmp_path: Path, filled: Filled) -> None:
    host = json.loads(gzip.decompress(next(filled.spools.glob("*/*.json.gz")).read_bytes()))["evidence"]["host"]
    side = {"steps": 12, "at_least": False, "ui": 0.24, "volts": None}
    lane = {"lane": 0, "left": side, "right": side | {"ui": 0.0}, "up": side | {"volts": 0.05}, "down": None}
    link = {
        "downstream_port": "0000:00:01.0", "place_id": "0000/0/01.0", "result": "passed",
        "receivers": [{"number": 1, "lanes": [lane]}],
    }  # fmt: skip
    (tmp_path / "m.json").write_text(json.dumps({"schema": "linkprobe/margin/1", "host": host, "links": [link]}))
    store = Store(str(tmp_path / "store"))
    assert ingest([tmp_path / "m.json"], store).taken == 1
    (row,) = every_row(store)["results"]
    assert (row["test"], row["margin_ui"], row["margin_volts"]) == ("margin", 0.0, 0.05)


def test_the_record_of_a_qualification_is_kept_with_the_links_that_it_tested(tmp_path: Path, run: Run) -> None:
    tree = correlator().build().write(tmp_path / "tree")
    plan = tmp_path / "plan.toml"
    plan.write_text('schema = "linkprobe/qualify-plan/1"\n[[step]]\nkind = "snapshot"\nlinks = ["A1*", "A4"]\n')
    assert run("qualify", plan, "--sysfs", tree, "-o", tmp_path / "record.json")[0] == 1
    store = Store(str(tmp_path / "store"))
    assert ingest([tmp_path / "record.json"], store).taken == 1
    found = {row["place"]: (row["test"], row["result"]) for row in every_row(store)["results"]}
    assert found == {"0000:00:01.0": ("qualification", "failed"), "0000:00:04.0": ("qualification", "passed")}


def test_a_snapshot_of_another_version_is_judged_anew(tmp_path: Path, filled: Filled) -> None:
    document = json.loads(gzip.decompress(next(filled.spools.glob("*/*.json.gz")).read_bytes()))
    document |= {"written_by": "linkprobe 0.0.1", "links": []}
    (tmp_path / "old.json").write_text(json.dumps(document))
    store = Store(str(tmp_path / "store"))
    assert ingest([tmp_path / "old.json"], store).taken == 1
    assert len(every_row(store)["links"]) == FLEET.links


def test_two_at_once(tmp_path: Path, filled: Filled) -> None:
    """Two processes, the same spool: each snapshot is in once."""
    program = (
        "import sys; from pathlib import Path; from probe.fleet.ingest import ingest; from probe.fleet.table import Store;"
        "ingest([Path(sys.argv[1])], Store(sys.argv[2]))"
    )
    command = [sys.executable, "-c", program, str(filled.spools), str(tmp_path)]
    both = [subprocess.Popen(command, cwd=TOP) for _ in range(2)]
    assert [process.wait(60) for process in both] == [0, 0]
    assert every_row(Store(str(tmp_path))) == every_row(filled.store)


_INGEST = (
    "from pathlib import Path; from probe.fleet.ingest import ingest; from probe.fleet.table import Store; import sys\n"
)


def files_in(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("after_s", [0.5, 0.7, 0.9, 1.1, 1.3])
def test_killed_at_any_moment(tmp_path: Path, filled: Filled, after_s: float) -> None:
    """SIGKILL, then a run to the end: every snapshot once, and no file that no version names."""
    program = f"{_INGEST}ingest([Path(sys.argv[1])], Store(sys.argv[2]))"
    process = subprocess.Popen([sys.executable, "-c", program, str(filled.spools), str(tmp_path / "s")], cwd=TOP)
    time.sleep(after_s)
    process.kill()
    process.wait()
    store = Store(str(tmp_path / "s"))
    ingest([filled.spools], store)
    assert every_row(store) == every_row(filled.store)
    version = store.version()
    assert version is not None
    parts = {name for name in files_in(tmp_path / "s") if name.endswith(".parquet") and "_delta_log" not in name}
    assert parts == {part.path for part in version.parts}
    assert not [name for name in files_in(tmp_path / "s") if "#" in name or name.endswith(".tmp")]


@pytest.mark.skipif(os.geteuid() != 0, reason="mounts a small file system")
def test_a_full_disk_loses_nothing(tmp_path: Path, filled: Filled) -> None:
    small = tmp_path / "small"
    small.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(small)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("no file system can be mounted here")
    try:
        first, *others = sorted(filled.spools.iterdir())
        store = Store(str(small / "store"))
        ingest([first], store)
        before = every_row(store)
        (small / "ballast").write_bytes(b"x" * (os.statvfs(small).f_bavail * os.statvfs(small).f_bsize - 8_192))
        with pytest.raises(InputError, match="cannot be written"):
            ingest([path for path in others if path.is_dir()], store)
        assert every_row(store) == before
        (small / "ballast").unlink()
        subprocess.run(["mount", "-o", "remount,size=64m", str(small)], check=True)
        ingest([filled.spools], store)
        assert every_row(store) == every_row(filled.store)
    finally:
        subprocess.run(["umount", str(small)], check=True)


def test_an_entry_of_the_log_that_a_power_cut_tore(tmp_path: Path, filled: Filled) -> None:
    """The newest entry is there but empty: the run was never told as done, and the next one does it."""
    store = Store(str(tmp_path))
    first, *_ = sorted(filled.spools.iterdir())
    ingest([first], store)
    before = every_row(store)
    ingest([filled.spools], store)
    newest = max((tmp_path / "_delta_log").glob("*.json"))
    newest.write_bytes(newest.read_bytes()[:0])
    assert every_row(Store(str(tmp_path))) == before
    ingest([filled.spools], store)
    assert every_row(store) == every_row(filled.store)


def test_all_is_on_the_disk_before_it_is_told(tmp_path: Path, filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts and their folders are synced before the log names them, the log after."""
    steps: list[str] = []
    sync = os.fsync

    def noted(descriptor: int) -> None:
        steps.append(str(Path(f"/proc/self/fd/{descriptor}").readlink()))
        sync(descriptor)

    monkeypatch.setattr(os, "fsync", noted)
    store = Store(str(tmp_path))
    ingest([next(path for path in filled.spools.iterdir() if path.is_dir())], store)
    version = store.version()
    assert version is not None
    log = steps.index(str(tmp_path / "_delta_log"))
    assert all(str(tmp_path / part.path) in steps[:log] for part in version.parts)
    assert all(str((tmp_path / part.path).parent) in steps[:log] for part in version.parts)
    assert any(step.endswith(".json") for step in steps[:log])


def damage(store: Store, kind: str) -> Path:
    version = store.version()
    assert version is not None
    path = Path(store.whole_path(next(part for part in version.parts if part.kind == kind)))
    path.write_bytes(path.read_bytes()[:60])
    return path


@pytest.mark.parametrize("kind", [kind for kind in OF_HOSTS if kind != "results"])
def test_a_damaged_part_is_named_and_made_anew(tmp_path: Path, filled: Filled, kind: str) -> None:
    store = Store(str(tmp_path / "store"))
    *early, late = sorted(path for path in filled.spools.iterdir() if path.is_dir())
    ingest(early, store)
    path = damage(store, kind)
    done = ingest([filled.spools], store)
    assert (late.exists(), len(done.damaged)) == (True, 1)
    assert done.damaged[0].endswith(path.name)
    assert any(name.endswith(path.name) for name in files_in(tmp_path / "store/damaged"))
    assert every_row(store) == every_row(filled.store)


def test_columns_that_an_older_part_does_not_have_are_null(tmp_path: Path, filled: Filled) -> None:
    store = Store(str(tmp_path))
    ingest([filled.spools], store)
    version = store.version()
    assert version is not None
    part = next(part for part in version.parts if part.kind == "links")
    older = store.write("links", part.bucket, store.read(part).drop_columns(["reason"]))
    store.commit(version, [older], [part])
    with opened(store) as tables:
        found = tables.links.to_pyarrow()
    assert found["reason"].null_count == len(found) == FLEET.hosts * FLEET.links


def test_a_store_of_before_a_column_was_known(tmp_path: Path, filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    """A later version adds a column: the next ingest states it, and everything stays."""
    first, second, *_ = sorted(path for path in filled.spools.iterdir() if path.is_dir())
    store = Store(str(tmp_path))
    ingest([first], store)
    whole = whole_schema()
    monkeypatch.setattr("probe.fleet.table.whole_schema", lambda: whole.append(pa.field("news", pa.int64())))
    assert ingest([second], store).taken == FLEET.days
    assert "news" in str(DeltaTable(str(tmp_path)).schema().to_json())
    assert len(every_row(store)["hosts"]) == 2


def test_a_table_of_another_kind_is_refused_and_left_alone(tmp_path: Path) -> None:
    write_deltalake(str(tmp_path), pa.table({"x": [1]}))
    before = files_in(tmp_path)
    with pytest.raises(DocumentError, match="is a table of schema unknown, not linkprobe/store/2"):
        ingest([CAPTURED], Store(str(tmp_path)))
    assert files_in(tmp_path) - {".lock"} == before


def test_files_of_others_in_the_same_place_are_left_alone(tmp_path: Path, filled: Filled) -> None:
    """Among them the parts of a store of an earlier linkprobe."""
    others = [tmp_path / "links/date=2026-01-05" / f"{'0' * 32}.parquet", tmp_path / "hosts/mine.parquet"]
    for path in others:
        path.parent.mkdir(parents=True)
        path.write_bytes(b"mine")
    store = Store(str(tmp_path))
    ingest([filled.spools], store)
    store.sweep(0)
    assert [path.read_bytes() for path in others] == [b"mine", b"mine"]


def test_many_ingests_keep_the_log_short_and_readable(tmp_path: Path, filled: Filled) -> None:
    """Past two checkpoints; one that a power cut tore is taken away, since the entries before it are still there."""
    store = Store(str(tmp_path))
    for path in sorted(filled.spools.glob("*/*.json.gz"))[:44]:
        ingest([path], store)
    whole = every_row(store)
    checkpoints = sorted((tmp_path / "_delta_log").glob("*.checkpoint*.parquet"))
    assert len(checkpoints) == 2
    checkpoints[-1].write_bytes(checkpoints[-1].read_bytes()[:50])
    assert every_row(Store(str(tmp_path))) == whole
    assert snapshots(store) == 44


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
