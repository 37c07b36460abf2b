"""Input without end, or that unpacks to more than it seems: a sentence or a result, in memory that has a bound.

Each command runs as a process that gets no more than so many bytes of address space: past it, it would end in 70.
"""

import gzip
import io
import json
import os
import resource
import subprocess
import sys
import tarfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fake_sysfs import card, machine, root_port
from probe.audit.snapshot import take
from probe.documents.files import encode
from probe.host.kernel_log import LOG_LINES
from probe.host.machine import read_machine
from probe.schemas import Schema
from tests.search import TIMES

TOP = Path(__file__).parents[2]
MOST_BYTES = 1536 << 20
SECONDS = 300  # no measure: only that there is an end
LOGGED = b"[ 100.000000] pcieport 0000:00:01.0: AER: Corrected error received: 0000:01:00.0\n"
OTHER = b"[ 100.000000] systemd[1]: Started something that has nothing to do with it.\n"
RELEASED = TOP / "tests" / "released" / "0.1.0"


def ended(*arguments: object, most: int = MOST_BYTES) -> tuple[int, str, str]:
    def bounded() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (most, most))

    found = subprocess.run(
        [sys.executable, "-m", "probe", *map(str, arguments)], cwd=TOP, check=False, text=True, errors="replace",
        preexec_fn=bounded, capture_output=True, timeout=SECONDS, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    return found.returncode, found.stdout, found.stderr


def sparse(folder: Path) -> Path:
    """100 GB of zeros that take no room."""
    path = folder / "sparse.json"
    with path.open("wb") as file:
        file.truncate(100 << 30)
    return path


def fifo(folder: Path) -> Path:
    path = folder / "fifo"
    os.mkfifo(path)
    return path


def endless(_: Path) -> Path:
    return Path("/dev/zero")


READERS: dict[str, Callable[[Path, Path], tuple[object, ...]]] = {
    "audit": lambda file, _: ("audit", file),
    "audit of a tree": lambda file, _: ("audit", "--sysfs", file),
    "explain": lambda file, _: ("explain", "0000:01:00.0", file),
    "paths": lambda file, _: ("paths", file),
    "diff": lambda file, _: ("diff", file, file),
    "history": lambda file, _: ("history", file),
    "batch": lambda file, _: ("batch", file, file),
    "where": lambda file, _: ("where", "1", file),
    "report": lambda file, folder: ("report", file, "-o", folder / "page.html"),
    "soak close": lambda file, _: ("soak", "close", file),
    "verify": lambda file, _: ("verify", file),
    "log": lambda file, _: ("log", file),
    "decode": lambda file, _: ("decode", file),
    "expect check": lambda file, _: ("expect", "check", file, RELEASED / "snapshot.json"),
    "collect": lambda file, folder: ("collect", "--config", file, "--spool", folder / "spool"),
    "qualify": lambda file, folder: ("qualify", file, "--dry-run", "-o", folder / "record.json"),
}


@pytest.mark.parametrize("made", [sparse, fifo, endless], ids=["sparse", "fifo", "endless"])
@pytest.mark.parametrize("name", READERS)
def test_a_file_without_end_is_a_sentence(name: str, made: Callable[[Path], Path], tmp_path: Path) -> None:
    status, out, err = ended(*READERS[name](made(tmp_path), tmp_path))
    assert (status, out) == (64, ""), err
    assert err.count("\n") == 1
    assert any(words in err for words in (
        "regular file", "holds more than", "not a readable tar", "unpacks to more", "not one whole tar", "no /sys tree",
    )), err  # fmt: skip


@pytest.mark.parametrize("made", [sparse, fifo], ids=["sparse", "fifo"])
def test_ingest_sets_it_aside(made: Callable[[Path], Path], tmp_path: Path) -> None:
    spool = tmp_path / "spool"
    spool.mkdir()
    made(spool).rename(spool / "odd.json")
    (spool / "good.json").write_bytes((RELEASED / "snapshot.json").read_bytes())
    status, _, err = ended(
        "fleet", "ingest", spool, "--store", tmp_path / "store", most=16 << 30
    )  # its libraries map much
    assert status in {0, 1}, err
    assert "odd.json" in err + _


def bomb(unit: bytes, count: int) -> bytes:
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=6, mtime=0) as file:
        for _ in range(count):
            file.write(unit)
    return packed.getvalue()


@pytest.mark.parametrize("name", ["audit", "audit of a tree", "report", "diff", "log", "decode", "where", "verify"])
def test_what_unpacks_to_gigabytes(name: str, tmp_path: Path) -> None:
    path = tmp_path / "bomb.json.gz"
    path.write_bytes(bomb(b" " * (1 << 20), 3000))
    assert path.stat().st_size < 4 << 20
    status, _, err = ended(*READERS[name](path, tmp_path))
    assert (status, err.count("\n")) == (64, 1), err


def members(size: int) -> Iterator[tuple[str, bytes]]:
    yield "sys/bus/pci/devices/x", b""
    yield from ((f"sys/devices/{number}", bytes(size)) for number in range(100_000))


@pytest.mark.parametrize(("size", "count", "told"), [(0, 100_000, "no link"), (12 << 20, 100, "unpacks to more than")])
def test_a_tar_of_many_or_of_large_members(size: int, count: int, told: str, tmp_path: Path) -> None:
    path = tmp_path / "many.tar.gz"
    with tarfile.open(path, "w:gz", compresslevel=1) as archive:
        for number, (name, content) in enumerate(members(size)):
            if number > count:
                break
            item = tarfile.TarInfo(name)
            item.size = len(content)
            archive.addfile(item, io.BytesIO(content))
    status, _, err = ended("audit", "--sysfs", path)
    assert status in {3, 64}, err
    assert told in err or "no PCI" in err


@pytest.mark.parametrize("depth", [1_000, 100_000])
@pytest.mark.parametrize("name", ["audit", "report", "diff", "verify", "where", "expect check", "qualify", "collect"])
def test_nested_deeply(name: str, depth: int, tmp_path: Path) -> None:
    toml = name in {"expect check", "qualify", "collect"}
    start = (
        b"schema = "
        if toml
        else b'{"schema":"linkprobe/snapshot/1","written_by":"x","summary":{},"links":[],"evidence":'
    )
    path = tmp_path / "deep"
    path.write_bytes(start + b"[" * depth + b"]" * depth + (b"" if toml else b"}"))
    status, out, err = ended(*READERS[name](path, tmp_path))
    assert (status, "nested too deeply" in out + err or "is not JSON" in err or "does not hold what" in err) == (
        64,
        True,
    )
    assert "Traceback" not in err


@pytest.mark.parametrize(("line", "others", "status", "told"), [
    (LOGGED, 0, 64, f"holds more than {LOG_LINES} lines about PCI Express"), (LOGGED, 700_000, 0, "correctable"),
])  # fmt: skip
def test_a_long_log(line: bytes, others: int, status: int, told: str, tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(line * (1_000 if others else LOG_LINES + 1) + OTHER * others)
    found, out, err = ended("log", path)
    assert (found, told in out + err) == (status, True), err[:300]


def test_a_gigabyte_of_log(tmp_path: Path) -> None:
    path = tmp_path / "log"
    with path.open("wb") as file:
        file.write(LOGGED * 1000)
        file.truncate(1 << 30)
    status, _, err = ended("log", path)
    assert (status, "holds more than 256 MiB" in err) == (64, True), err


@pytest.mark.parametrize(("mebibytes", "status"), [(15, 0), (17, 64)])
def test_a_dump_of_many_functions(mebibytes: int, status: int, tmp_path: Path) -> None:
    rows = b"".join(
        b"%03x: %s\n" % (at, b" ".join(b"%02x" % (at % 251) for _ in range(16))) for at in range(0, 4096, 16)
    )
    path = tmp_path / "dump"
    path.write_bytes(rows * ((mebibytes << 20) // len(rows)))
    found, _, err = ended("decode", "--json", path)
    assert found == status, err
    assert status == 0 or "holds more than 16384 KiB" in err


def functions(count: int) -> dict[str, Any]:
    """A snapshot of so many functions, each pair of them a link."""
    described = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4"))).build()
    found: dict[str, Any] = json.loads(encode(take(read_machine(described.source()))))
    pair = json.dumps(found["evidence"]["functions"])
    found["evidence"]["functions"] = [
        function
        for number in range(count // 2)
        for function in json.loads(pair.replace("0000:0", f"{number:08x}:0"))
    ]  # fmt: skip
    found["links"] = []
    return found


def test_many_thousands_of_functions(tmp_path: Path) -> None:
    """As many as no machine has: 100,000 in a long search. The time is not with the square of their number."""
    count = 10_000 if TIMES == 1 else 100_000
    path = tmp_path / "many.json"
    path.write_text(json.dumps(functions(count)))
    status, out, err = ended("audit", "--json", path, most=4 << 30)
    assert status == 0, err
    assert len(json.loads(out)["links"]) == count // 2


def test_more_links_than_a_document_may_hold(tmp_path: Path) -> None:
    """A million of them."""
    head = json.dumps(functions(2))
    start, _, end = head.partition('"functions": [')
    unit = json.dumps(functions(2)["evidence"]["functions"][0]).encode()
    path = tmp_path / "million.json"
    with path.open("wb") as file:
        file.write(f'{start}"functions": ['.encode())
        for _ in range(1_000_000 * 2 // 1000):
            file.write((unit + b",") * 1000)
            if file.tell() > 300 << 20:
                break
        file.write(end.encode())
    status, _, err = ended("audit", path)
    assert (status, "holds more than 256 MiB" in err) == (64, True), err


@pytest.mark.skipif(os.geteuid() != 0, reason="only root makes device nodes")
def test_a_copied_tree_of_files_without_end(tmp_path: Path) -> None:
    tree = machine(root_port("0000:00:01.0", "8 GT/s x4", slot=1).holds(card("8 GT/s x4"))).build()
    root = tree.write(tmp_path / "machine")
    function = next(root.glob("devices/*/*/0000:01:00.0"))
    makers: dict[str, Callable[[Path], None]] = {
        "config": lambda path: os.mknod(path, 0o20600, os.makedev(1, 5)),
        "label": lambda path: path.symlink_to("/dev/zero"),
        "numa_node": lambda path: os.mknod(path, 0o20600, os.makedev(1, 5)),
        "aer_dev_correctable": os.mkfifo,
    }
    for name, make in makers.items():
        (function / name).unlink(missing_ok=True)
        make(function / name)
    for name in ("dev/kmsg", "sys/firmware/dmi/tables/DMI"):
        path = root.parent / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as file:
            file.truncate(100 << 30)
    assert root.name == "sys"
    for arguments in (("audit",), ("explain", "0000:00:01.0"), ("snapshot", "-o", tmp_path / "s.json"),
                      ("collect", "--spool", tmp_path / "spool")):  # fmt: skip
        status, _, err = ended(*arguments, "--sysfs", root)
        assert status in {0, 3}, (arguments, err)


def test_the_schema_of_this_document_is_what_readers_expect() -> None:
    assert functions(2)["schema"] == Schema.SNAPSHOT
