"""Files written whole or not at all; what is no regular file stays what it is; bounds for what others wrote."""

import gzip
import os
import stat
from pathlib import Path

import msgspec
import pytest

from fake_sysfs import card, machine, root_port
from probe.documents import files
from probe.documents.writing import write_atomically
from probe.exceptions import DocumentError, InputError
from tests.conftest import Run


@pytest.fixture
def target(tmp_path: Path) -> Path:
    return tmp_path / "target"


def test_what_is_our_own_is_given_to_nobody(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A service may be ended for the very call."""
    monkeypatch.setattr(os, "fchown", None)
    write_atomically(target, b"one", group=os.getegid())
    write_atomically(target, b"two", group=os.getegid())
    assert target.read_bytes() == b"two"


def test_a_new_file_has_what_the_umask_leaves(target: Path) -> None:
    before = os.umask(0o027)
    try:
        write_atomically(target, b"new")
    finally:
        os.umask(before)
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


def test_a_file_keeps_its_rights(target: Path) -> None:
    target.write_bytes(b"old")
    target.chmod(0o600)
    write_atomically(target, b"new")
    assert (target.read_bytes(), stat.S_IMODE(target.stat().st_mode)) == (b"new", 0o600)


def test_a_link_stays_and_its_file_is_replaced(tmp_path: Path, target: Path) -> None:
    target.write_bytes(b"old")
    link = tmp_path / "link"
    link.symlink_to(target)
    write_atomically(link, b"new")
    assert (link.is_symlink(), target.read_bytes()) == (True, b"new")


def test_a_device_is_written_into(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("making a device node needs root")
    null = tmp_path / "null"
    os.mknod(null, 0o666 | stat.S_IFCHR, os.makedev(1, 3))
    try:
        write_atomically(null, b"gone")
    except InputError:
        pytest.skip("this file system allows no devices")
    assert stat.S_ISCHR(null.stat().st_mode)


def test_a_pipe_stays_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_atomically(pipe, b"told")
    assert (os.read(reader, 10), stat.S_ISFIFO(pipe.stat().st_mode)) == (b"told", True)
    os.close(reader)


def test_nothing_is_left_when_it_fails(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("probe.documents.writing.os.fsync", full)
    with pytest.raises(InputError, match="No space left"):
        write_atomically(target, b"new")
    assert (target.read_bytes(), list(target.parent.iterdir())) == (b"old", [target])


def test_a_bomb_is_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    monkeypatch.setenv("LINKPROBE_DOCUMENT_BYTES", str(1 << 20))
    bomb = tmp_path / "bomb.json.gz"
    bomb.write_bytes(gzip.compress(bytes(64 << 20)))
    status, _, err = run("audit", bomb)
    assert (status, "holds more than 1 MiB" in err) == (64, True)


def test_several_members_are_one_document(tmp_path: Path, run: Run) -> None:
    tree = machine(root_port("0000:00:01.0", "16 GT/s x16", slot=1).holds(card("16 GT/s x16"))).build()
    sys = tree.write(tmp_path / "t")
    run("snapshot", "-o", tmp_path / "s.json", "--sysfs", sys)
    data = (tmp_path / "s.json").read_bytes()
    (tmp_path / "s.json.gz").write_bytes(gzip.compress(data[:100]) + gzip.compress(data[100:]))
    assert run("audit", tmp_path / "s.json.gz")[0] == 0


@pytest.mark.parametrize("data", [b"[" * 100_000, b'{"schema":"' + b"\xff", b'{"schema":' + b"9" * 5000 + b"}", b"\0"])
def test_odd_documents_are_sentences(data: bytes) -> None:
    with pytest.raises(DocumentError):
        files.decode_document(data, "odd", msgspec.Struct, "linkprobe/snapshot/1", "give another")


def test_a_pipe_named_as_a_document_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="no regular file"):
        files.read_bytes(str(tmp_path / "pipe"))
