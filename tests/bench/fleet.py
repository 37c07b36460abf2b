"""Cost of the fleet store. `python tests/bench/fleet.py files [HOSTS]` or `python tests/bench/fleet.py hosts [HOSTS]`.

`files`: ingest of real files against plain reading and decompressing of them, again, and after one more look at each
host; and the questions against the same in pandas and in a plain DuckDB scan over a row a link a snapshot, which must
answer the same. `hosts`: time and peak memory of every question over a quarter-hourly week of many hosts, whose
chronicles are made without files; each question in a process of its own.
"""

import gzip
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import duckdb
import msgspec
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from fake_sysfs.fleet import FAULTY_SLOTS, Fleet, Planted, write
from probe.fleet.asking import answers
from probe.fleet.bucket import Bucket
from probe.fleet.chronicle import Chronicle, Counted, HostFacts, LinkSeen, Scribe
from probe.fleet.ingest import ingest
from probe.fleet.keeping import compact
from probe.fleet.parts import bits
from probe.fleet.reading import Reader
from probe.fleet.table import Store
from tests.fleet.every import EVERY
from tests.fleet.made import DAY_0_S, READ, seen

Found = set[tuple[str, str]]
WANTED = {"below": {"width", "speed"}, "outliers": {"width", "speed", "narrow slot"}, "errors": {"errors"}}
LINKS, MOMENTS, QUARTER_S = 60, 7 * 96, 900


def timed(run: Callable[[], Any]) -> tuple[Any, float]:
    """What it gives, and how long it took, seconds."""
    start = time.perf_counter()
    return run(), time.perf_counter() - start


def plainly(spools: Path) -> int:
    """Read and decompress every file: the reference of ingest."""
    return sum(len(gzip.decompress(path.read_bytes())) for path in sorted(spools.glob("*/*.json.gz")))


def flat(spools: Path, path: Path) -> None:
    """A row a link a snapshot, as a plain scan would have it."""
    rows = []
    reader = Reader()
    for name in sorted(spools.glob("*/*.json.gz")):
        (item,) = reader.read(name.read_bytes(), str(name)).observations
        for place_id, link in item.links.items():
            counts = item.counted[place_id].counts if place_id in item.counted else ()
            rows.append((
                item.facts.name, link.address, place_id, item.facts.board, link.kind, link.verdict, link.standing,
                link.speed_gts, link.width, item.wall_s, sum(count for *_, count in counts),
            ))  # fmt: skip
    names = ["host", "address", "place_id", "board", "kind", "verdict", "standing", "speed", "width", "at_s", "total"]
    pq.write_table(pa.table(dict(zip(names, zip(*rows, strict=True), strict=True))), path, compression="zstd")


def asked(store: Store, name: str) -> Found:
    """Our answer: host and address."""
    (table,) = answers(store, EVERY[name]).tables
    return {(row["host"], row["address"]) for row in table.to_pylist()}


def in_pandas(path: Path, name: str) -> Found:
    """The same question as one would write it in pandas."""
    table = pd.read_parquet(path)
    now = table[table["at_s"] == table.groupby("host")["at_s"].transform("max")]
    if name == "below":
        found = now[now["verdict"].isin(["downtrained", "capped"]) & (now["standing"] == "slot")]
    elif name == "outliers":
        now = now.assign(state=now["speed"].astype(str) + now["width"].astype(str))
        usual = now.groupby(["board", "place_id", "kind"])["state"].transform(lambda states: states.mode().iloc[0])
        found = now[now["state"] != usual]
    else:
        spread = table.groupby(["host", "address"])["total"].agg(["min", "max"]).reset_index()
        found = spread[spread["max"] > spread["min"]]
    return set(zip(found["host"], found["address"], strict=True))


_NOW = "select * from t qualify at_s = max(at_s) over (partition by host)"
_SQL = {
    "below": "select host, address from now where verdict in ('downtrained', 'capped') and standing = 'slot'",
    "outliers": """select host, address from now join usual using (board, place_id, kind)
        where speed || 'x' || width <> usual.state""",
    "errors": "select host, address from t group by all having max(total) > min(total)",
}
_USUAL = "select board, place_id, kind, mode(speed || 'x' || width) as state from now group by all"


def in_duckdb(path: Path, name: str) -> Found:
    """The same question as a plain scan."""
    with duckdb.connect() as connection:
        connection.read_parquet(str(path)).create_view("t")
        connection.sql(_NOW).create_view("now")
        connection.sql(_USUAL).create_view("usual")
        return set(connection.execute(_SQL[name]).fetchall())


def of_files(hosts: int) -> None:
    """Ingest and questions, from files."""
    with tempfile.TemporaryDirectory() as folder:
        top = Path(folder)
        store = Store(f"{folder}/store")
        fleet = Fleet(hosts=hosts, days=7, a_day=4, faults=hosts // 50)
        planted = write(fleet, top / "spools")
        plain, plain_s = timed(lambda: plainly(top / "spools"))
        done, taken_s = timed(lambda: ingest([top / "spools"], store))
        again_s = timed(lambda: ingest([top / "spools"], store))[1]
        print(f"{hosts:,} hosts x {LINKS} links x 7 days, 4 a day: {done.taken:,} files, {plain / 1e9:.1f} GB of JSON")
        print(f"ingest {taken_s / plain_s:.2f} x plain reading ({done.taken / taken_s:.0f} files/s)")
        print(f"again {again_s / plain_s:.2f} x ({done.taken / again_s:.0f} files/s)")
        write(fleet._replace(days=8), top / "more")
        one_each = sorted(top.glob("more/*/*-00000028-*.json.gz"))
        more_s = timed(lambda: ingest(one_each, store))[1]
        print(f"one more file of each host: {more_s:.2f} s ({hosts / more_s:.0f} files/s)")
        flat(top / "spools", top / "flat.parquet")
        for name in WANTED:
            found, ours = timed(partial(asked, store, name))
            theirs_found, theirs = timed(partial(in_pandas, top / "flat.parquet", name))
            scan_found, scan = timed(partial(in_duckdb, top / "flat.parquet", name))
            alike = "the same answer" if found == theirs_found == scan_found else "ANOTHER ANSWER"
            told = verdict(found, planted, name)
            ratios = f"{ours / theirs:.2f} x pandas, {ours / scan:.2f} x a plain scan"
            print(f"{name}: {told}; {ours:.2f} s, {ratios} ({alike})")
        for a_day in (1, 96):
            write(Fleet(hosts=8, days=7, a_day=a_day, faults=0), top / f"a{a_day}")
            small = Store(f"{folder}/s{a_day}")
            ingest([top / f"a{a_day}"], small)
            fresh = size(small)
            compact(small, settle_days=0)
            print(f"{a_day} a day: {fresh / 8 / 7:.0f} bytes a host and day fresh, {size(small) / 8 / 7:.0f} settled")


def size(store: Store) -> int:
    """Bytes of all parts."""
    version = store.version()
    return sum(part.size for part in version.parts) if version else 0


def verdict(found: Found, planted: list[Planted], name: str) -> str:
    """How much of what was planted was found, and what else."""
    wanted = {(item.host, item.address) for item in planted if item.fault in WANTED[name]}
    return f"{len(found & wanted)} of {len(wanted)} found, {len(found - wanted)} false"


def _name(number: int) -> str:
    return f"r{number // 40:04d}-{number % 40:02d}"


def chronicle(number: int) -> Chronicle:
    """A quarter-hourly week of one host; one in fifty is short or errs, one in a hundred flaps."""
    place = [f"0000/0/{slot:02x}.0" for slot in range(LINKS)]
    made = Chronicle(f"id {number:032x}")
    scribe = Scribe(made)
    links = {
        name: LinkSeen(
            place=f"M{slot}", address=f"0000:00:{slot:02x}.0", verdict="full", serial=f"{number:08x}-{slot:02x}",
            speed_gts=16.0, width=8, standing="slot", component="Store", kind="0x1:0x2", possible_speed_gts=16.0,
            possible_width=8,
        )
        for slot, name in enumerate(place)
    }  # fmt: skip
    counted = dict.fromkeys(place, Counted(READ))
    first = seen(0, host=made.host, began_s=DAY_0_S)
    whole = msgspec.structs.replace(
        first,
        links=links,
        counted=counted,
        facts=HostFacts(_name(number), "Board", "Product", LINKS),
    )
    bad = place[number % FAULTY_SLOTS]
    for moment in range(MOMENTS) if number % 50 == 0 else (0, MOMENTS - 1):
        now = dict(counted)
        state = dict(links)
        if number % 50 == 0:
            short = number % 100 == 0 or moment % 96 < 2
            state[bad] = msgspec.structs.replace(links[bad], width=4, verdict="downtrained") if short else links[bad]
            now[bad] = Counted(READ, (("component", "00.0", "correctable", "Bad TLP", 1 + moment // 10),))
        jitter = (number * 7919 + moment * 104_729) % 3_000
        item = msgspec.structs.replace(
            whole, moment=moment * QUARTER_S * 100 + jitter, wall_s=DAY_0_S + moment * QUARTER_S, links=state,
            counted=now, number=moment,
        )  # fmt: skip
        scribe.add(item, DAY_0_S + MOMENTS * QUARTER_S)
    if number % 50:
        boot = made.boots["b1"]
        last = boot.moments[-1]
        boot.moments = [n * QUARTER_S * 100 + (number * 7919 + n * 104_729) % 3_000 for n in range(MOMENTS - 1)] + [
            last
        ]
    return made


def one_bucket(url: str, bucket: str, numbers: list[int]) -> Any:
    """A bucket of hosts, written."""
    held = Bucket(Store(url), bucket, {})
    for number in numbers:
        held.replace(chronicle(number), quiet=False)
    return held.written(whole=True)


def of_hosts(hosts: int) -> None:
    """The questions, over many hosts."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store(f"{folder}/store")
        digits = max(0, (hosts // 512).bit_length())
        buckets: dict[str, list[int]] = {}
        for number in range(hosts):
            buckets.setdefault(bits(f"id {number:032x}")[: 1 + digits], []).append(number)
        start = time.perf_counter()
        with ProcessPoolExecutor(2) as pool:
            made = list(pool.map(one_bucket, [store.url] * len(buckets), buckets, buckets.values()))
        store.commit(None, [part for item in made for part in item.adds], [])
        each = size(store) / hosts / 7
        print(f"{hosts:,} hosts x {LINKS} links x {MOMENTS} snapshots: {size(store) / 1e6:.0f} MB")
        print(f"{each:.0f} bytes a host and day, fresh")
        print(f"made in {time.perf_counter() - start:.0f} s")
        for name in EVERY:
            done = subprocess.run(
                [sys.executable, __file__, "ask", store.url, name], capture_output=True, text=True, check=False,
                cwd=Path(__file__).parents[2], env={"PYTHONPATH": ".", "PATH": "/usr/bin:/bin"},
            )  # fmt: skip
            print(done.stdout.strip() or done.stderr.strip()[-300:])


def ask(url: str, name: str) -> None:
    """One question in this process."""
    found, seconds = timed(lambda: answers(Store(url), EVERY[name]))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{name}: {len(found.tables[0]):,} rows, {seconds:.1f} s, peak {peak:.0f} MiB")


def main() -> None:
    """Print one figure a line."""
    what, *rest = sys.argv[1:] or ["files"]
    if what == "ask":
        ask(*rest)
    elif what == "hosts":
        of_hosts(int(rest[0]) if rest else 1_000)
    else:
        of_files(int(rest[0]) if rest else 500)


if __name__ == "__main__":
    main()
