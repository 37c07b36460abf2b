"""What the collector leaves to others: nothing to read, nothing to follow, nothing that ends it for ever."""

import os
import stat
from contextlib import nullcontext
from pathlib import Path

import pytest

from probe.collect.run import collect
from probe.collect.settings import Settings
from probe.collect.spool import Spool
from probe.exceptions import InputError
from tests.collect.test_collect import GOOD


def settings(tmp_path: Path) -> Settings:
    return Settings(spool=str(tmp_path / "spool"))


def mode(path: Path) -> int:
    return stat.S_IMODE(path.lstat().st_mode)


def test_the_spool_is_private(tmp_path: Path) -> None:
    collect(GOOD.build().source(), settings(tmp_path))
    spool = tmp_path / "spool"
    assert mode(spool) == 0o700
    assert {mode(path) for path in spool.iterdir()} == {0o600}


@pytest.mark.parametrize("name", [".lock", ".told", ".widest.json"])
def test_links_in_the_spool_are_not_followed(tmp_path: Path, name: str) -> None:
    spool = tmp_path / "spool"
    spool.mkdir(mode=0o700)
    victim = tmp_path / "victim"
    victim.write_text("{}")
    os.utime(victim, (1, 1))
    (spool / name).symlink_to(victim)
    with pytest.raises(InputError, match="cannot be used") if name == ".lock" else nullcontext():
        collect(GOOD.build().source(), settings(tmp_path))
    if name != ".widest.json":
        assert (victim.read_text(), victim.stat().st_mtime) == ("{}", 1)


def test_a_fifo_named_as_a_snapshot_hangs_nothing(tmp_path: Path) -> None:
    collect(GOOD.build().source(), settings(tmp_path))
    os.mkfifo(tmp_path / "spool" / "20990101T000000Z-00000099-x.json.gz")
    assert collect(GOOD.build().source(), settings(tmp_path)).status == 0


@pytest.mark.parametrize("damage", [b"", b"[]", b'{"a": "b"}', b"\xff", b"[" * 100_000])
def test_a_damaged_note_of_the_widest_is_made_anew(tmp_path: Path, damage: bytes) -> None:
    collect(GOOD.build().source(), settings(tmp_path))
    note = tmp_path / "spool" / ".widest.json"
    before = note.read_bytes()
    note.write_bytes(damage)
    assert collect(GOOD.build().source(), settings(tmp_path)).status == 0
    assert note.read_bytes() == before


@pytest.mark.skipif(os.geteuid() != 0, reason="the rule is for root")
def test_as_root_a_spool_of_another_user_is_refused(tmp_path: Path) -> None:
    (tmp_path / "spool").mkdir()
    os.chown(tmp_path / "spool", 1000, 1000)
    with pytest.raises(InputError, match="of another user"), Spool(settings(tmp_path)).held():
        pass
