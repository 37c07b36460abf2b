"""No output that was asked to be redacted holds what identifies a machine; what belongs together still does."""

import gzip
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from fake_sysfs import Tree
from probe.documents.redaction import Pseudonyms
from probe.documents.redaction_key import VARIABLE
from probe.observe.watching import Watch, WatchedEvent
from tests.compare.machines import drive, of, slot
from tests.conftest import Run

HOST, BOOT, ID = "db17.rack4.example.org", "0f4c7a52-2a3e-4a39-9f1b-0d7a3f5e9c11", "3d1219c7c4c5404aaa1f6d2a48adfda4"
SERIALS = (0x0011223344556677, 0xA0B1C2D3E4F50617)
FIRMWARE = {
    "product_serial": "SRV-0042-XK", "board_serial": "BRD99871", "board_asset_tag": "ASSET-777", "chassis_serial": "CH-55-1",
}  # fmt: skip
COMMAND_LINE = "BOOT_IMAGE=/vmlinuz root=UUID=8b1f3c2d-1111-2222-3333-444455556666 pci=realloc ip=10.20.30.40 quiet"
LINES = (
    f"{HOST} kernel: pcieport 0000:00:01.0: AER: Corrected error received: 0000:01:00.0",
    "e1000e 0000:01:00.0 eth0: (PCI Express:2.5GT/s:Width x1) 52:54:00:12:34:56",
    "nfs 0000:01:00.0: server 192.168.7.9 and fe80::5054:ff:fe12:3456 not responding, mount 8b1f3c2d-1111-2222-3333-444455556666",
    "pcieport 0000:00:02.0: board SRV-0042-XK of db17, Device Serial Number 00-11-22-33-44-55-66-77",
)
ORIGINALS = (
    HOST, "db17", "rack4.example.org", BOOT, BOOT.replace("-", ""), ID, *FIRMWARE.values(), COMMAND_LINE, "vmlinuz",
    "52:54:00:12:34:56", "10.20.30.40", "192.168.7.9", "fe80::5054:ff:fe12:3456", "8b1f3c2d-1111-2222-3333-444455556666",
    *(number.to_bytes(8, "big").hex("-") for number in SERIALS), *(number.to_bytes(8, "little").hex() for number in SERIALS),
)  # fmt: skip


def built(trained: str) -> Tree:
    """A machine that says who it is wherever one can."""
    tree = of(slot(1, drive(SERIALS[0])), slot(2, drive(SERIALS[1], trained=trained)), machine_id=ID).build()
    for number, address in zip(SERIALS, ("0000:01:00.0", "0000:02:00.0"), strict=True):
        tree = tree.with_attribute(address, "serial_number", number.to_bytes(8, "big").hex("-"))
    tree = tree.with_attribute("0000:01:00.0", "label", "slot of db17, 52:54:00:12:34:56")
    for name, text in FIRMWARE.items():
        tree = tree.with_file(f"sys/class/dmi/id/{name}", f"{text}\n".encode())
    log = "".join(f"6,{number},{number}000000,-;{line}\n" for number, line in enumerate(LINES, start=1))
    files = {
        "proc/sys/kernel/hostname": HOST, "proc/sys/kernel/random/boot_id": BOOT, "proc/cmdline": COMMAND_LINE,
        "dev/kmsg": log,
    }  # fmt: skip
    for path, text in files.items():
        tree = tree.with_file(path, text.encode() + b"\n")
    return tree


@pytest.fixture(autouse=True)
def key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "kept" / "redaction.key"
    monkeypatch.setenv(VARIABLE, str(path))
    return path


@pytest.fixture
def trees(tmp_path: Path) -> tuple[Path, Path]:
    return built("16 GT/s x4").write(tmp_path / "before"), built("8 GT/s x2").write(tmp_path / "after")


def saved(run: Run, trees: tuple[Path, Path], tmp_path: Path, *more: str) -> list[Path]:
    found = []
    for tree in trees:
        path = tmp_path / f"{tree.parent.name}.json"
        assert run("snapshot", "--sysfs", tree, "-o", path, *more)[0] == 0
        found.append(path)
    return found


def holds(text: str) -> list[str]:
    return [secret for secret in ORIGINALS if secret.casefold() in text.casefold()]


def commands(before: Path, after: Path, out: Path) -> Iterator[tuple[object, ...]]:
    """Every way to a document or a screen; what is written to a file comes below `out`."""
    tree = after.with_suffix("") / "sys"
    yield "audit", after
    yield "audit", "--json", "--sysfs", tree
    yield "audit", "--csv", after
    yield "audit", "-q", after
    yield "explain", "0000:02:00.0", after
    yield "explain", "0000:02:00.0", "--registers", "--json", after
    yield "snapshot", "--sysfs", tree, "-o", "-"
    yield "snapshot", "--sysfs", tree, "-o", out / "s.json.gz"
    yield "diff", before, after
    yield "diff", "--json", before, after
    yield "diff", "--markdown", before, after
    yield "diff", "--junit", out / "j.xml", before, after
    yield "history", before, after
    yield "history", "--json", before, after
    yield (
        "soak",
        "--minutes",
        0.002,
        "--interval",
        0.05,
        "--sysfs",
        tree,
        "-o",
        out / "r.jsonl",
        "--also",
        out / "x.html",
    )
    yield "collect", "--sysfs", tree, "--spool", out / "spool", "--metrics", out / "m.prom"
    yield "report", after, "-o", out / "p.html"
    yield "expect", "write", after
    yield "expect", "write", "--sysfs", tree, "-o", out / "e.toml"
    yield "expect", "check", out / "e.toml", after
    yield "expect", "check", "--json", out / "e.toml", "--sysfs", tree
    yield "log", after
    yield "log", "--json", after
    yield "log", "--sysfs", tree
    yield "log", "--json", "--sysfs", tree
    yield "watch", "--minutes", 0.002, "--interval", 0.05, "--sysfs", tree
    yield "watch", "--json", "--minutes", 0.002, "--interval", 0.05, "--sysfs", tree


def test_no_output_holds_an_original(run: Run, trees: tuple[Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    before, after = saved(run, trees, tmp_path)
    assert set(holds(before.read_text())) == set(ORIGINALS) - {ID, BOOT.replace("-", "")}, "they are there to be found"
    for command in commands(before, after, out):
        status, shown, told = run(*command, "--redact")
        assert status in {0, 1, 2, 3}, (command, told)
        assert holds(shown + told.replace(str(tmp_path), "")) == [], command
    written = [path for path in out.rglob("*") if path.is_file()]
    assert len(written) >= 9
    for path in written:
        data = path.read_bytes()
        text = (gzip.decompress(data) if data[:2] == b"\x1f\x8b" else data).decode()
        assert holds(text.replace(str(tmp_path), "") + path.name) == [], path


def test_pages_of_documents_that_were_not_redacted(run: Run, trees: tuple[Path, Path], tmp_path: Path) -> None:
    before, after = saved(run, trees, tmp_path)
    record = tmp_path / "r.jsonl"
    run("soak", "--minutes", 0.002, "--interval", 0.05, "--sysfs", trees[1], "-o", record)
    for name, arguments in {"a.json": ("audit", "--json", after), "d.json": ("diff", "--json", before, after)}.items():
        (tmp_path / name).write_text(run(*arguments)[1])
    for name in ("a.json", "d.json", "r.jsonl", "after.json"):
        page = tmp_path / f"{name}.html"
        assert run("report", tmp_path / name, "-o", page, "--redact")[0] == 0, name
        assert holds(page.read_text().replace(str(tmp_path), "")) == [], name
        assert "redacted-" in page.read_text()


def test_judging_and_comparing_come_to_the_same(run: Run, trees: tuple[Path, Path], tmp_path: Path) -> None:
    """Components keep what they are told apart by: a card that changed its slot is followed."""
    moved = (
        of(slot(1, drive(SERIALS[1])), slot(2, drive(SERIALS[0], trained="8 GT/s x2"))).build().write(tmp_path / "x")
    )
    plain = saved(run, (trees[0], moved), tmp_path)
    told = [run("diff", "--json", "--different-machines", *plain, *more)[1] for more in ((), ("--redact",))]
    kinds = [[change["kind"] for change in json.loads(text)["changes"]] for text in told]
    assert kinds[0] == kinds[1]
    assert "moved" in kinds[0], kinds
    assert [run("audit", path)[0] for path in plain] == [run("audit", "--redact", path)[0] for path in plain]


def test_the_same_thing_has_the_same_name(run: Run, trees: tuple[Path, Path], tmp_path: Path, key: Path) -> None:
    hosts = [json.loads(p.read_text())["evidence"]["host"] for p in saved(run, trees, tmp_path, "--redact")]
    names = [(host["name"], host["machine_id"], host["firmware"]["product_serial"]) for host in hosts]
    assert names[0] == names[1]
    assert all(re.fullmatch(r"redacted-[a-z2-7]{12}", name) for name in names[0])
    assert hosts[0]["command_line"].startswith("pci=realloc redacted-")
    assert (key.stat().st_mode & 0o777, key.stat().st_size) == (0o600, 32)
    key.unlink()
    other = saved(run, trees, tmp_path, "--redact")
    assert json.loads(other[0].read_text())["evidence"]["host"]["name"] != names[0][0], "another key, other names"


def test_a_key_that_others_can_read_is_refused(run: Run, trees: tuple[Path, Path], key: Path) -> None:
    key.parent.mkdir()
    key.write_bytes(bytes(32))
    key.chmod(0o644)
    status, _, told = run("audit", "--redact", "--sysfs", trees[0])
    assert (status, "chmod 600" in told) == (64, True)


@pytest.mark.parametrize("text", ["0000:01:00.0", "6.1.0-13-amd64", "Link Width 16", "12:30:45", "8086:1521"])
def test_what_identifies_nothing_stays(text: str) -> None:
    assert Pseudonyms(b"key").text(text) == text


@pytest.mark.parametrize("serial", ["00-00-00-00-00-00-00-00", "ff-ff-ff-ff-ff-ff-ff-ff"])
def test_no_serial_number_is_not_made_one(serial: str) -> None:
    assert Pseudonyms(b"key").serial(serial) == serial


def test_what_a_watch_tells_as_it_happens(run: Run, trees: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines of the kernel's log among it."""

    def heard(_: object) -> Iterator[WatchedEvent]:
        yield from (WatchedEvent(time=1.0, kind="log", sentence=line) for line in LINES)

    monkeypatch.setattr(Watch, "_heard", heard)
    for more in ((), ("--json",)):
        arguments = ("watch", "--minutes", 0.002, "--interval", 0.05, "--sysfs", trees[1], *more)
        assert set(holds("".join(run(*arguments)[1:]))) >= {HOST, "192.168.7.9"}, "they are there to be found"
        status, shown, told = run(*arguments, "--redact")
        assert (status, holds(shown + told)) == (0, [])


def test_a_log_by_itself(run: Run, tmp_path: Path) -> None:
    """Of a log that says not whose it is, addresses and serial numbers are known by their form."""
    path = tmp_path / "log"
    path.write_text("".join(f"[ {number}.0] {line}\n" for number, line in enumerate(LINES)))
    for more in ((), ("--json",)):
        status, shown, _ = run("log", path, "--redact", *more)
        assert status == 0
        assert set(holds(shown)) <= {HOST, "db17", "rack4.example.org", "SRV-0042-XK"}
