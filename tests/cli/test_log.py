"""linkprobe log: whatever holds a log is read for it, and what cannot be read is never a clean log."""

import gzip
import lzma
from pathlib import Path

import pytest

from fake_sysfs import card, demonstration, machine, root_port
from tests.conftest import Run

LINE = "[  10.5] pcieport 0000:00:01.0: pciehp: Slot(1): Link Down\n"


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    described = machine(root_port("0000:00:01.0", "16 GT/s x4", slot=1).holds(card("16 GT/s x4")), log=(LINE.strip(),))
    return described.build().write(tmp_path / "tree")


def test_a_tree_a_snapshot_and_the_text_say_the_same(run: Run, tree: Path, tmp_path: Path) -> None:
    run("snapshot", "--sysfs", tree, "-o", tmp_path / "s.json.gz")
    run("snapshot", "--sysfs", tree, "-o", tmp_path / "s.json")
    (tmp_path / "text").write_text(LINE)
    (tmp_path / "text.gz").write_bytes(gzip.compress(LINE.encode()))
    (tmp_path / "zeros").write_bytes(b"\0" * 4096 + LINE.encode())
    (tmp_path / "two").write_text(LINE, encoding="utf-16")
    (tmp_path / "little").write_text(LINE, encoding="utf-16-le")
    (tmp_path / "big").write_text(LINE, encoding="utf-16-be")
    expected = run("log", "--sysfs", tree)
    assert "link down" in expected[1].lower()
    for name in ("s.json.gz", "s.json", "text", "text.gz", "zeros", "two", "little", "big"):
        assert run("log", tmp_path / name) == expected, name


@pytest.mark.parametrize("content", [lzma.compress(LINE.encode() * 99), bytes(range(256)) * 9])
def test_what_is_no_text_is_no_clean_log(content: bytes, run: Run, tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(content)
    status, out, told = run("log", tmp_path / "log")
    assert (status, out) == (64, "")
    assert "is no text; give it as text: dmesg" in told


def test_a_log_that_a_snapshot_could_not_read_is_no_clean_log(run: Run, tmp_path: Path) -> None:
    unprivileged = demonstration.correlator().build().unprivileged().write(tmp_path / "tree")
    run("snapshot", "--sysfs", unprivileged, "-o", tmp_path / "s.json")
    for source in ((tmp_path / "s.json",), ("--sysfs", unprivileged)):
        status, out, told = run("log", *source)
        assert (status, out) == (64, "")
        assert "was not read" in told
    assert "give one of the two" in run("log", "--sysfs", unprivileged, tmp_path / "s.json")[2]


def test_a_tree_that_cannot_be_written_is_a_sentence(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    status, _, told = run("demo", "--write", tmp_path / "file" / "below")
    assert status == 64
    assert "cannot be written (Not a directory)" in told
