"""Cost of the fleet store as ratios to references in the same run. `python tests/bench/fleet.py [HOSTS]`.

Ingest against plain reading and decompressing of the same files; DuckDB against the same questions in pandas, which
must answer the same.
"""

import gzip
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from fake_sysfs.fleet import Fleet, Planted, write
from probe.fleet.engine import opened
from probe.fleet.ingest import ingest
from probe.fleet.parts import Store
from probe.fleet.questions import QUESTIONS

WANTED = {"below": {"width", "speed"}, "outliers": {"width", "speed", "narrow slot"}, "errors": {"errors"}}
Found = set[tuple[str, str]]


def timed(run: Callable[[], Any]) -> tuple[Any, float]:
    """What it gives, and how long it took, seconds."""
    start = time.perf_counter()
    return run(), time.perf_counter() - start


def plainly(spools: Path) -> int:
    """Read and decompress every file: the reference of ingest."""
    return sum(len(gzip.decompress(path.read_bytes())) for path in sorted(spools.glob("*/*.json.gz")))


def asked(store: Store, name: str) -> Found:
    """Our answer: host and address."""
    with opened(store) as links:
        found = QUESTIONS[name](links).select("host", "address").to_pyarrow().to_pylist()
    return {(item["host"], item["address"]) for item in found}


def in_pandas(store: Store, name: str) -> Found:
    """The same question as one would write it in pandas."""
    names = ["host", "address", "place", "place_id", "board", "kind", "verdict", "standing", "speed_gts", "width"]
    table = pd.concat(
        pd.read_parquet(part.path, columns=[*names, "taken_s", "correctable", "nonfatal", "fatal"], partitioning=None)
        for part in store.parts()
    )
    found = {"below": _below, "outliers": _outliers, "errors": _errors}[name](table)
    return set(zip(found["host"], found["address"], strict=True))


def _latest(table: pd.DataFrame) -> pd.DataFrame:
    return table[table["taken_s"] == table.groupby("host")["taken_s"].transform("max")]


def _below(table: pd.DataFrame) -> pd.DataFrame:
    now = _latest(table)
    return now[now["verdict"].isin(["downtrained", "capped"]) & (now["standing"] == "slot")]


def _outliers(table: pd.DataFrame) -> pd.DataFrame:
    now = _latest(table)
    now = now.assign(state=now["speed_gts"].astype(str) + now["width"].astype(str))
    usual = now.groupby(["board", "place", "kind"])["state"].transform(lambda states: states.mode().iloc[0])
    return now[now["state"] != usual]


def _errors(table: pd.DataFrame) -> pd.DataFrame:
    table = table.assign(total=table["correctable"] + table["nonfatal"] + table["fatal"])
    spread = table.groupby(["host", "address"])["total"].agg(["min", "max"]).reset_index()
    return spread[spread["max"] > spread["min"]]


def verdict(found: Found, planted: list[Planted], name: str) -> str:
    """How much of what was planted was found, and what else."""
    wanted = {(item.host, item.address) for item in planted if item.fault in WANTED[name]}
    return f"{len(found & wanted)} of {len(wanted)} found, {len(found - wanted)} false"


def main() -> None:
    """Print one figure a line."""
    hosts = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000
    with tempfile.TemporaryDirectory() as folder:
        spools, store = Path(folder) / "spools", Store(f"{folder}/store")
        planted = write(Fleet(hosts=hosts, days=7, faults=hosts // 50), spools)
        plain, plain_s = timed(lambda: plainly(spools))
        done, taken_s = timed(lambda: ingest([spools], store))
        again_s = timed(lambda: ingest([spools], store))[1]
        size = f"{done.taken:,} snapshots, {plain / 1e9:.1f} GB of JSON"
        print(f"{hosts:,} hosts x 60 links x 7 days: {size}")
        rate = f"{done.taken / taken_s:.0f} snapshots/s"
        print(f"ingest {taken_s / plain_s:.2f} x plain reading ({rate}); again {again_s / plain_s:.2f} x")
        for name in WANTED:
            found, ours = timed(partial(asked, store, name))
            theirs_found, theirs = timed(partial(in_pandas, store, name))
            alike = "the same answer" if found == theirs_found else "ANOTHER ANSWER"
            told = verdict(found, planted, name)
            print(f"{name}: {told}; {ours:.2f} s, {ours / theirs:.2f} x pandas ({alike})")
        print(f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB, pandas among it")


if __name__ == "__main__":
    main()
