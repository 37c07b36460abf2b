"""The delivery that ships: what is new goes over once, whole, and a run that failed is made good by the next."""

import os
import shutil
import subprocess
import time
from pathlib import Path

import pytest

from fake_sysfs.fleet import Fleet, host_name, write
from probe.fleet.ingest import Ingested, ingest
from probe.fleet.table import Store

DELIVER = Path(__file__).parents[2] / "packaging/delivery/deliver"
pytestmark = pytest.mark.skipif(shutil.which("rsync") is None, reason="needs Debian's rsync package")


def deliver(spool: Path, state: Path, to: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"LINKPROBE_SPOOL": str(spool), "STATE_DIRECTORY": str(state)}
    return subprocess.run([DELIVER, to], env=environment, capture_output=True, text=True, check=False)


def test_from_a_spool_to_a_store(tmp_path: Path) -> None:
    write(Fleet(hosts=1, days=6, faults=0, links=8), tmp_path / "hosts")
    spool, state, arrived = tmp_path / "hosts" / host_name(0), tmp_path / "state", tmp_path / "spools"
    state.mkdir()
    arrived.mkdir()
    files = sorted(spool.iterdir())
    (spool / ".half-written.json.gz").write_bytes(b"")
    (spool / "results").mkdir()
    (spool / "results" / "20260301T100000Z-train-1-mast-01.json.gz").write_bytes(b"what a test found")
    kept = {path: path.read_bytes() for path in files[4:]}
    for path in kept:
        path.unlink()
    assert deliver(spool, state, f"{tmp_path}/nowhere/at/all/").returncode != 0
    assert deliver(spool, state, f"{arrived}/").returncode == 0
    (result,) = (arrived / "results").iterdir()
    assert result.read_bytes() == b"what a test found"
    shutil.rmtree(arrived / "results")
    assert [path.name for path in sorted(arrived.iterdir())] == [path.name for path in files[:4]]
    shutil.rmtree(spool / "results")
    store = Store(str(tmp_path / "store"))
    assert ingest([arrived], store, delete=True) == Ingested(taken=4)
    assert list(arrived.iterdir()) == []
    for path, data in kept.items():
        path.write_bytes(data)
        os.utime(path, (time.time() + 60, time.time() + 60))
    hour_ago = time.time() - 3600
    for path in files[:4]:
        os.utime(path, (hour_ago, hour_ago))
    assert deliver(spool, state, f"{arrived}/").returncode == 0
    assert [path.name for path in sorted(arrived.iterdir())] == [path.name for path in kept]
    assert ingest([arrived], store, delete=True) == Ingested(taken=2)
    assert ingest([spool], store) == Ingested(known=6)


def test_what_cannot_be_used_is_not_deleted(tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text("{}")
    assert len(ingest([tmp_path / "x.json"], Store(str(tmp_path / "store")), delete=True).set_aside) == 1
    assert (tmp_path / "x.json").exists()
