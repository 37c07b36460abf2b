"""What the collector leaves to others: nothing to read, nothing to follow, nothing that ends it for ever."""

import os
import stat
from contextlib import nullcontext
from pathlib import Path

import pytest

from probe.collect.run import collect
from probe.collect.settings import Settings, read_settings
from probe.collect.spool import Spool
from probe.exceptions import InputError
from tests.collect.test_collect import GOOD


def settings(tmp_path: Path, group: str | None = None) -> Settings:
    return Settings(spool=str(tmp_path / "spool"), group=group)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.lstat().st_mode)


def test_the_spool_is_private(tmp_path: Path) -> None:
    collect(GOOD.build().source(), settings(tmp_path))
    spool = tmp_path / "spool"
    assert mode(spool) == 0o700
    assert {mode(path) for path in spool.iterdir()} == {0o600}


def test_a_group_may_read_where_the_settings_say_so(tmp_path: Path) -> None:
    collect(GOOD.build().source(), settings(tmp_path, group="root"))
    kept = Spool(settings(tmp_path)).snapshots()
    assert [mode(path) for path in kept] == [0o640]


def test_a_group_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such group"):
        Spool(settings(tmp_path, group="no-such-group-here"))


@pytest.mark.parametrize(
    "name", [".lock", ".told", ".widest.json", ".identities.json", ".missing.json", ".lately.json"]
)
def test_links_in_the_spool_are_not_followed(tmp_path: Path, name: str) -> None:
    spool = tmp_path / "spool"
    spool.mkdir(mode=0o700)
    victim = tmp_path / "victim"
    victim.write_text("{}")
    os.utime(victim, (1, 1))
    (spool / name).symlink_to(victim)
    refused = pytest.raises(InputError, match="the spool cannot be used") if name == ".lock" else nullcontext()
    with refused:
        collect(GOOD.build().source(), settings(tmp_path))
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
def test_as_root_what_others_can_write_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "config.toml"
    path.write_text("keep_days = 3\n")
    assert read_settings(path).keep_days == 3
    path.chmod(0o666)
    with pytest.raises(InputError, match="could have been changed by another user"):
        read_settings(path)
    spool = tmp_path / "spool"
    spool.mkdir()
    spool.chmod(0o777)
    with pytest.raises(InputError, match="another user can write"), Spool(settings(tmp_path)).held():
        pass


@pytest.mark.skipif(os.geteuid() != 0, reason="the rule is for root")
def test_as_root_a_spool_of_another_user_is_refused(tmp_path: Path) -> None:
    (tmp_path / "spool").mkdir()
    os.chown(tmp_path / "spool", 1000, 1000)
    with pytest.raises(InputError, match="another user can write"), Spool(settings(tmp_path)).held():
        pass
