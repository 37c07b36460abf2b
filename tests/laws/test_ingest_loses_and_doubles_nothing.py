"""However often ingest is killed, at whatever write, a last run to its end leaves each file in the store once."""

import contextlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fake_sysfs.fleet import Fleet, write
from probe.fleet.engine import opened
from probe.fleet.ingest import ingest
from probe.fleet.parts import Store

FILES = 12


class _Killed(BaseException):
    """As a SIGKILL: no handler of the program's own runs on it."""


@pytest.fixture(scope="module")
def spools(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("spools")
    write(Fleet(hosts=4, days=3, faults=1, links=8), folder)
    (folder / "damaged.json.gz").write_bytes(b"\x1f\x8b damaged")
    return folder


class _Mortal:
    """A file system whose writer dies at the n-th step: half-way through a write, or before a rename."""

    def __init__(self, filesystem: Any, steps: int) -> None:
        self._filesystem, self._steps = filesystem, steps

    def __getattr__(self, name: str) -> Any:
        return getattr(self._filesystem, name)

    def pipe_file(self, path: str, data: bytes) -> None:
        if self._dies():
            self._filesystem.pipe_file(path, data[: len(data) // 2])
            raise _Killed
        self._filesystem.pipe_file(path, data)

    def mv(self, source: str, target: str) -> None:
        if self._dies():
            raise _Killed
        self._filesystem.mv(source, target)

    def _dies(self) -> bool:
        self._steps -= 1
        return self._steps < 0


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kills=st.lists(st.tuples(st.integers(0, 16), st.integers(1, 5)), max_size=4))
def test_killed_and_run_again(
    kills: list[tuple[int, int]], spools: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    root = tmp_path_factory.mktemp("store")
    for steps, batch in kills:
        store = Store(str(root))
        store.filesystem = _Mortal(store.filesystem, steps)
        with contextlib.suppress(_Killed):
            ingest([spools], store, batch=batch)
    store = Store(str(root))
    ingest([spools], store)
    with opened(store) as links:
        table = links.to_pyarrow()
    assert len(table) == FILES * 8
    assert len(set(table["file_id"].to_pylist())) == FILES
    assert len(store.set_aside_ids()) == 1
    assert not [part for part in store.parts() if part.path.endswith(".coming")]
