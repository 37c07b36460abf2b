"""However often ingest is killed, at whatever write or commit, a last run to its end leaves each snapshot in once."""

import contextlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from deltalake import DeltaTable
from hypothesis import given
from hypothesis import strategies as st

from fake_sysfs.fleet import Fleet, write
from probe.fleet import ingest as module
from probe.fleet.ingest import ingest
from probe.fleet.parts import Part
from probe.fleet.table import Store
from tests.fleet.test_ingest import every_row, files_in
from tests.search import search


class _Killed(BaseException):
    """As a SIGKILL: no handler of the program's own runs on it."""


@pytest.fixture(scope="module")
def spools(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("spools")
    write(Fleet(hosts=4, days=3, faults=1, links=8), folder)
    (folder / "damaged.json.gz").write_bytes(b"\x1f\x8b damaged")
    return folder


@pytest.fixture(scope="module")
def whole(spools: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, Any]]]:
    store = Store(str(tmp_path_factory.mktemp("whole")))
    ingest([spools], store)
    return every_row(store)


@contextmanager
def mortal(steps: int) -> Iterator[None]:
    """The writer dies at the n-th step: half-way through a part, or before or after a commit. Buckets are small."""
    real_write, real_commit = Store.write, Store.commit
    left = steps

    def dies() -> bool:
        nonlocal left
        left -= 1
        return left < 0

    def write_(self: Store, kind: str, bucket: str, rows: pa.Table) -> Part:
        part = real_write(self, kind, bucket, rows)
        if dies():
            path = Path(self.whole_path(part))
            path.write_bytes(path.read_bytes()[: part.size // 2])
            raise _Killed
        return part

    def commit_(self: Store, *arguments: Any) -> Any:
        if dies():
            raise _Killed
        done = real_commit(self, *arguments)
        if dies():
            raise _Killed
        return done

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Store, "write", write_)
        patch.setattr(Store, "commit", commit_)
        patch.setattr(module, "MOST_HOSTS", 1)
        patch.setattr(module, "_TOGETHER", 1)
        yield


@search(25)
@given(kills=st.lists(st.integers(0, 40), max_size=4))
def test_killed_and_run_again(
    kills: list[int], spools: Path, whole: dict[str, list[dict[str, Any]]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    root = tmp_path_factory.mktemp("store")
    store = Store(str(root))
    for steps in kills:
        with mortal(steps), contextlib.suppress(_Killed):
            ingest([spools], store)
    ingest([spools], store)
    assert every_row(store) == whole
    version = store.version()
    assert version is not None
    once_named = DeltaTable(root).vacuum(retention_hours=0, dry_run=True, enforce_retention_duration=False)
    there = {name for name in files_in(root) if name.endswith(".parquet") and "_delta_log" not in name}
    assert there - set(once_named) == {part.path for part in version.parts}
    assert sum(part.rows for part in version.parts if part.kind == "aside") == 1
