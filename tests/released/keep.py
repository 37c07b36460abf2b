"""Keeps a document of every kind, and its JSON Schema, as this version writes them: run it when a version is released.

    python -m tests.released.keep        writes tests/released/VERSION/

What a released version wrote is never written anew. Until a version is released its folder may be.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from pkgutil import resolve_name

import msgspec
import msgspec.inspect as kinds

from fake_sysfs import Machine, card, machine, root_port
from probe import __version__
from probe.schemas import TYPES
from tests.released.filled import documents

HERE = Path(__file__).parent
TOP = HERE.parents[1]


def small(trained: str | None = None, hours: float = 24.0) -> Machine:
    """A machine of two links, one with something to tell."""
    return machine(
        root_port("0000:00:01.0", "16 GT/s x8", slot=1).holds(
            card("16 GT/s x8", trained=trained, serial=0x1, counters={"correctable": {"Receiver Error": 3}})
        ),
        root_port("0000:00:02.0", "16 GT/s x4", slot=2).holds(card("16 GT/s x4", serial=0x2)),
        uptime_s=hours * 3600,
        log=("[    1.000000] pcieport 0000:00:01.0: AER: Correctable error message received from 0000:01:00.0",),
    )


def linkprobe(*arguments: object, to: Path | None = None) -> None:
    """Run the program; what it prints goes into a file. Findings are welcome."""
    done = subprocess.run(
        [sys.executable, "-m", "probe", *map(str, arguments)], cwd=TOP, capture_output=True, check=False
    )
    if done.returncode > 3:
        sys.exit(done.stderr.decode())
    if to is not None:
        to.write_bytes(done.stdout)


def keep(into: Path) -> None:
    """Write every document and schema into a folder."""
    shutil.rmtree(into, ignore_errors=True)
    (into / "schemas").mkdir(parents=True)
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        before, after = small().build().write(work / "before"), small("8 GT/s x4", 26.0).build().write(work / "after")
        linkprobe("snapshot", "--sysfs", before, "-o", into / "snapshot.json")
        linkprobe("snapshot", "--sysfs", after, "-o", work / "after.json")
        linkprobe("audit", "--sysfs", after, "--json", to=into / "audit.json")
        linkprobe("explain", "0000:01:00.0", "--registers", "--sysfs", after, "--json", to=into / "explanation.json")
        linkprobe("diff", into / "snapshot.json", work / "after.json", "--json", to=into / "diff.json")
        linkprobe("history", into / "snapshot.json", work / "after.json", "--json", to=into / "history.json")
        linkprobe("expect", "write", into / "snapshot.json", "-o", into / "expect.toml")
        linkprobe("soak", "--sysfs", before, "--minutes", 0.05, "-o", into / "soak.jsonl")
        linkprobe("soak", "close", into / "soak.jsonl", "--json", to=into / "record.json")
        linkprobe("ceiling", 16, "x4", "--json", to=into / "ceiling.json")
        linkprobe("ratio", 16, "x4", "--errors", 3, "--hours", 24, "--json", to=into / "ratio.json")
        linkprobe("fleet", "ingest", into / "snapshot.json", work / "after.json", "--store", into / "store")
    for schema, place in TYPES.items():
        kind = schema.split("/")[1]
        linkprobe("schema", schema, to=into / "schemas" / f"{kind}.json")
        made = documents(kinds.type_info(resolve_name(place)))
        (into / f"{kind}.filled.jsonl").write_bytes(msgspec.json.Encoder().encode_lines(made))


if __name__ == "__main__":
    keep(HERE / __version__)
