"""The journal: on the disk line by line, readable after any cut, bounded in size, never losing events."""

import os
from pathlib import Path

import pytest

from probe.exceptions import DocumentError, InputError
from probe.observe.events import LinkEvent, LinkEventKind
from probe.soak import journal
from probe.soak.journal import (
    Baseline,
    End,
    Entry,
    Journal,
    LinkSample,
    Sample,
    Spread,
    Start,
    Thinned,
    read_entries,
    thinned,
)
from tests.compare.machines import drive, of, slot, snapshot

PLACE = "0000/0/01.0"


def start() -> Start:
    made = snapshot(of(slot(1, drive())), boot_id="boot one")
    return Start(snapshot=made, place_ids=(PLACE,), loads=(), interval_s=1.0, planned_s=60.0, correctable_limit="6/2h")


def sample(t: float, speed: float = 16.0, heat: float | None = None) -> Sample:
    return Sample(t, {PLACE: LinkSample(speed, 4, 1000.0 * t, None, heat)})


def test_what_was_appended_is_read(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    entries: list[Entry] = [start(), sample(0.0), Baseline(0.0, {PLACE: "off"}), End(t=1.0, why="over", complete=True)]
    opened = Journal.create(path)
    for entry in entries:
        opened.append(entry)
        assert read_entries(path)[-1] == entry  # each is on the disk before append returns
    opened.close()
    assert read_entries(path) == entries


def test_any_cut_gives_what_was_whole(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    opened = Journal.create(path)
    opened.append(start(), *(sample(float(t)) for t in range(5)))
    opened.close()
    data = path.read_bytes()
    first = data.index(b"\n") + 1
    for cut in range(first, len(data), 7):
        path.write_bytes(data[:cut])
        found = read_entries(path)
        assert isinstance(found[0], Start)
        assert len(found) - 1 <= data[:cut].count(b"\n")
        assert len(found) >= data[:cut].count(b"\n")
    path.write_bytes(data + b"\0" * 300)  # a file system may leave zeros after a power cut
    assert len(read_entries(path)) == 6


def test_damage_in_the_middle_is_told(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    opened = Journal.create(path)
    opened.append(start(), sample(0.0), sample(1.0), sample(2.0))
    opened.close()
    lines = path.read_bytes().splitlines()
    path.write_bytes(b"\n".join([lines[0], b"{", *lines[2:]]))
    with pytest.raises(DocumentError, match="line 2 is not of a journal"):
        read_entries(path)


@pytest.mark.parametrize("content", [b"", b"{}\n", b"hello\n"])
def test_no_journal(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_bytes(content)
    with pytest.raises(DocumentError, match=r"does not begin as a journal does|is not of a journal"):
        read_entries(path)


def test_a_file_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_text("mine")
    with pytest.raises(InputError, match="is already there"):
        Journal.create(path)
    assert path.read_text() == "mine"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full to play a full disk")
def test_a_full_disk_is_one_sentence() -> None:
    opened = Journal(Path("/dev/full"))
    with pytest.raises(InputError, match="No space left on device"):
        opened.append(sample(0.0))
    opened.close()


def test_thinning_keeps_bounds_means_and_every_event(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal, "FINE_SAMPLES", 60)
    monkeypatch.setattr(journal, "BUCKET_SAMPLES", 10)
    event = LinkEvent(t=5.5, place_id=PLACE, kind=LinkEventKind.STATE, sentence="x")
    entries: list[Entry] = [start(), *(sample(float(t), 2.5 if t == 7 else 16.0, float(t)) for t in range(200)), event]
    found = list(thinned(entries))
    assert event in found
    assert sum(isinstance(item, Sample) for item in found) == 60
    buckets = [item for item in found if isinstance(item, Thinned)]
    assert sum(item.samples for item in buckets) == 140
    first = buckets[0]
    speeds = first.links[PLACE][0]
    assert speeds is not None
    assert (speeds.least, speeds.most) == (2.5, 16.0)
    assert speeds.mean == pytest.approx(14.65)
    assert first.links[PLACE][4] == Spread(0.0, 4.5, 9.0)
    assert first.links[PLACE][3] is None
    assert (first.t, first.until) == (0.0, 9.0)


def test_thinning_again_adds_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal, "FINE_SAMPLES", 10)
    monkeypatch.setattr(journal, "BUCKET_SAMPLES", 10)
    monkeypatch.setattr(journal, "COARSE_BUCKETS", 3)
    entries: list[Entry] = [start(), *(sample(float(t), heat=float(t)) for t in range(500))]
    for _ in range(3):
        entries = list(thinned(entries))
    weighted = 0.0
    for item in entries:
        if isinstance(item, Thinned):
            heat = item.links[PLACE][4]
            assert heat
            weighted += item.samples * heat.mean
        elif isinstance(item, Sample):
            weighted += item.links[PLACE].temperature_c or 0.0
    assert weighted == pytest.approx(sum(range(500)))
    assert len(entries) < 40


def test_days_stay_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal, "FINE_SAMPLES", 50)
    monkeypatch.setattr(journal, "BUCKET_SAMPLES", 10)
    monkeypatch.setattr(journal, "COARSE_BUCKETS", 20)
    monkeypatch.setattr(os, "fdatasync", lambda _: None)
    opened = Journal.create(tmp_path / "x")
    opened.append(start())
    for t in range(3000):
        opened.append(sample(float(t)))
    opened.close()
    entries = read_entries(tmp_path / "x")
    assert len(entries) < 200
    assert sum(e.samples if isinstance(e, Thinned) else isinstance(e, Sample) for e in entries) == 3000
