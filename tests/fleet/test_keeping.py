"""Compact, expire and forget: what stays, what goes, and that nothing of what goes is left."""

import gzip
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from fake_sysfs.fleet import Fleet, host_name, write
from probe.exceptions import InputError
from probe.fleet.bucket import Bucket
from probe.fleet.chronicle import Scribe
from probe.fleet.ingest import Ingested, ingest
from probe.fleet.keeping import compact, expire_older, forget
from probe.fleet.rows import OF_HOSTS, BeatRow, LinkRow
from probe.fleet.settling import SETTLE_DAYS, settle
from probe.fleet.table import Store
from probe.fleet.telling import rows_of
from tests.conftest import Run
from tests.fleet.conftest import Filled
from tests.fleet.made import DAY_0_S, LINK, NOW_S, chronicles, link, seen
from tests.fleet.test_ingest import TOP, every_row, files_in

DAYS = 3
FIRST_S, DAY_S = 1_767_571_200, 86_400
"""2026-01-05, the first day of the made-up fleet."""


@pytest.fixture
def noisy(tmp_path: Path) -> Filled:
    """Six hosts, every hour for three days, one with errors each day."""
    planted = write(Fleet(hosts=6, days=DAYS, faults=4, links=8, a_day=24), tmp_path / "spools")
    store = Store(str(tmp_path / "store"))
    for number in range(6):  # six ingests, so that there is something to make small
        ingest([tmp_path / "spools" / host_name(number)], store)
    return Filled(store, tmp_path / "spools", planted)


def test_compact_changes_no_answer(noisy: Filled) -> None:
    before = every_row(noisy.store)
    done = compact(noisy.store, settle_days=0)
    after = every_row(noisy.store)
    assert done.hosts == 6
    assert done.bytes_after < done.bytes_before
    assert {kind: rows for kind, rows in after.items() if kind != "rises"} == {
        kind: rows for kind, rows in before.items() if kind != "rises"
    }
    assert sum(row["events"] for row in after["rises"]) == sum(row["events"] for row in before["rises"])
    assert compact(noisy.store, settle_days=0).hosts == 0
    assert ingest([noisy.spools], noisy.store) == Ingested(known=6 * 24 * DAYS)


def test_a_late_snapshot_of_settled_history_that_says_otherwise_is_taken_in() -> None:
    (chronicle,) = chronicles([seen(number * 900, LINK) for number in range(3 * 96)])
    settle(chronicle, DAY_0_S + 2 * 86_400)
    scribe = Scribe(chronicle)
    assert scribe.add(seen(90_000, LINK), NOW_S) is None
    assert scribe.add(seen(90_010, link(width=4)), NOW_S)
    assert [row.width for row in rows_of(chronicle)["links"] if isinstance(row, LinkRow)] == [8, 4, 8]


@pytest.mark.parametrize("jitter", [100, 6_000])
def test_a_quarter_hourly_year_is_smaller_than_three_daily_ones(tmp_path: Path, jitter: int) -> None:
    """Sixty links that never change, looked at for a year, a second or a minute off each time."""
    sizes = []
    for a_day in (1, 96):
        chance = random.Random(1)
        bucket = Bucket(Store(str(tmp_path / str(a_day))), "r", {})
        for number in range(40):
            links = [link(serial=f"{number:04x}-{slot:02x}", place=f"M{slot}") for slot in range(60)]
            moments = [86_400 / a_day * count + chance.randrange(jitter) / 100 for count in range(365 * a_day)]
            (chronicle,) = chronicles([seen(at_s, *links, host=f"id {number}") for at_s in (moments[0], moments[-1])])
            chronicle.boots["b1"].moments = [round(at_s * 100) for at_s in moments]
            settle(chronicle, DAY_0_S + (365 - SETTLE_DAYS) * 86_400)
            bucket.replace(chronicle, quiet=False)
        sizes.append(sum(part.size for part in bucket.written(whole=True).adds))
    assert sizes[1] < 3 * sizes[0]


def test_expire_lets_old_days_go_and_keeps_them_out(noisy: Filled) -> None:
    now_s = FIRST_S + DAYS * DAY_S
    done = expire_older(noisy.store, days=1, now_s=now_s)
    assert (done.hosts, done.gone) == (6, 0)
    days = {BeatRow(**row).day_s for row in every_row(noisy.store)["beats"]}
    assert min(days) >= now_s - DAY_S - DAY_S
    assert min(row["from_s"] for row in every_row(noisy.store)["links"]) >= now_s - DAY_S
    kept = every_row(noisy.store)
    ingest([noisy.spools], noisy.store)
    assert every_row(noisy.store) == kept
    gone = expire_older(noisy.store, days=1, now_s=now_s + 9 * DAY_S)
    assert gone.gone == 6
    version = noisy.store.version()
    assert version is not None
    assert [part for part in version.parts if part.kind in OF_HOSTS] == []


@pytest.mark.parametrize("wrong", [0, -1])
def test_an_age_that_cannot_be(noisy: Filled, wrong: float) -> None:
    with pytest.raises(InputError, match="is no age"):
        expire_older(noisy.store, days=wrong)


def mentions(folder: Path, host: str) -> list[str]:
    """Files of a store in which a host's name stands, its Parquet pages unpacked."""
    found = []
    for name in sorted(files_in(folder)):
        data = (folder / name).read_bytes()
        text = repr(pq.read_table(folder / name).to_pylist()).encode() if name.endswith(".parquet") else data
        if host.encode() in data or host.encode() in text or host.encode() in name.encode():
            found.append(name)
    return found


def test_forget_leaves_nothing(noisy: Filled) -> None:
    host, other = host_name(2), host_name(3)
    folder = Path(noisy.store.root)
    damaged = noisy.spools / host / f"damaged-{host}.json.gz"
    damaged.write_bytes(gzip.compress(b"{}"))
    ingest([damaged], noisy.store)
    assert mentions(folder, host)
    forget(noisy.store, host)
    assert mentions(folder, host) == []
    assert mentions(folder, other)
    assert other in {row["name"] for row in every_row(noisy.store)["hosts"]}
    with pytest.raises(InputError, match="is no host of this store"):
        forget(noisy.store, host)


def test_beside_an_ingest(tmp_path: Path, filled: Filled) -> None:
    """Compacting again and again while another process ingests: both wait for each other, and nothing is lost."""
    program = (
        "import sys; from pathlib import Path; from probe.fleet.ingest import ingest; from probe.fleet.table import Store\n"
        "for folder in sorted(Path(sys.argv[1]).iterdir()):\n    ingest([folder], Store(sys.argv[2])) if folder.is_dir() else 0"
    )
    store = Store(str(tmp_path / "s"))
    first = next(path for path in filled.spools.iterdir() if path.is_dir())
    ingest([first], store)
    process = subprocess.Popen([sys.executable, "-c", program, str(filled.spools), store.root], cwd=TOP)
    while process.poll() is None:
        compact(store)
    assert process.returncode == 0
    assert every_row(store) == every_row(filled.store)


def test_as_a_person_types_them(run: Run, tmp_path: Path, filled: Filled) -> None:
    store = tmp_path / "s"
    shutil.copytree(filled.store.root, store)
    status, out, _ = run("fleet", "compact", "--store", store)
    assert (status, "MB before" in out) == (0, True)
    status, out, _ = run("fleet", "forget", host_name(0), "--store", store)
    assert (status, "1 gone" in out) == (0, True)
    status, out, _ = run("fleet", "expire", "--store", store, "--older-than", "1d")
    assert (status, "39 gone" in out) == (0, True)
    status, _, err = run("fleet", "expire", "--store", store, "--older-than", "soon")
    assert (status, "is no age; write it as 12h" in err) == (64, True)
