"""The journal: on the disk before the write, locked while its run lives, readable after a cut, refused when damaged."""

import multiprocessing
from pathlib import Path

import pytest

from probe.active.journal import (
    Began,
    Journal,
    KeptFile,
    KeptRegister,
    began_now,
    entries_of,
    left_behind,
    state_directory,
    there_already,
)
from probe.active.permitted import Scope
from probe.exceptions import DocumentError, InputError

KEPT = KeptRegister(address="0000:00:01.0", offset=0x70, size=1, mask=0x0F, old=0x44)


def head(sys: str = "/tree") -> Began:
    return began_now("test", sys, None, Scope(), ())


def test_what_is_kept_is_read_back(tmp_path: Path) -> None:
    journal = Journal.create(head(), tmp_path)
    journal.keep(KEPT, KeptFile(path="x", old="auto"))
    assert journal.entries()[1:] == (KEPT, KeptFile(path="x", old="auto"))
    journal.close()


def test_a_second_run_of_the_same_tree_is_refused_while_the_first_lives(tmp_path: Path) -> None:
    journal = Journal.create(head(), tmp_path)
    with pytest.raises(InputError, match="another active test is running"):
        Journal.create(head(), tmp_path)
    other = Journal.create(head("/other"), tmp_path)
    for item in (other, journal):
        item.discard()
        item.close()
    assert there_already("/tree", tmp_path) is None


def test_what_was_left_behind_is_noticed_and_found(tmp_path: Path) -> None:
    journal = Journal.create(head(), tmp_path)
    journal.keep(KEPT)
    journal.close()
    with pytest.raises(InputError, match="left something behind; run: linkprobe put-back"):
        Journal.create(head(), tmp_path)
    assert "put-back" in (there_already("/tree", tmp_path) or "")
    (found,) = left_behind(tmp_path)
    assert found.entries()[1:] == (KEPT,)
    found.discard()
    found.close()
    assert list(tmp_path.iterdir()) == []


def test_a_journal_whose_run_lives_is_not_left_behind(tmp_path: Path) -> None:
    journal = Journal.create(head(), tmp_path)
    assert list(left_behind(tmp_path)) == []
    journal.close()


def _lives(path: Path, ready: "multiprocessing.synchronize.Event", go: "multiprocessing.synchronize.Event") -> None:
    Journal.create(head(), path)
    ready.set()
    go.wait()


def test_the_lock_goes_with_the_process(tmp_path: Path) -> None:
    context = multiprocessing.get_context("fork")
    ready, go = context.Event(), context.Event()
    process = context.Process(target=_lives, args=(tmp_path, ready, go))
    process.start()
    assert ready.wait(10)
    assert list(left_behind(tmp_path)) == []
    process.kill()
    process.join()
    (found,) = left_behind(tmp_path)
    found.discard()
    found.close()


@pytest.mark.parametrize("cut", [1, 5, 20])
def test_a_last_line_that_was_cut_off_came_to_no_write(tmp_path: Path, cut: int) -> None:
    journal = Journal.create(head(), tmp_path)
    journal.keep(KEPT, KEPT)
    journal.close()
    data = journal.path.read_bytes()
    journal.path.write_bytes(data[:-cut])
    whole = entries_of(journal.path)
    assert whole[1:] in {(KEPT,), (KEPT, KEPT)}


def test_damage_in_the_middle_is_told(tmp_path: Path) -> None:
    journal = Journal.create(head(), tmp_path)
    journal.keep(KEPT, KEPT)
    journal.close()
    lines = journal.path.read_bytes().split(b"\n")
    journal.path.write_bytes(b"\n".join([lines[0], b"{oops", *lines[2:]]))
    with pytest.raises(DocumentError, match="line 2 is damaged"):
        entries_of(journal.path)


def test_without_a_journal_nothing_is_written(tmp_path: Path) -> None:
    taken = tmp_path / "file"
    taken.write_text("")
    with pytest.raises(InputError, match="journal of what is written cannot be made"):
        Journal.create(head(), taken / "state")


def test_where_journals_are(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert state_directory("/sys") == Path("/var/lib/linkprobe/active")
    assert state_directory("/srv/tree") == tmp_path / "linkprobe" / "active"
