"""The journal: on the disk line by line, readable after any cut, bounded in size, never losing events."""

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from probe.exceptions import DocumentError, InputError
from probe.observe.events import LinkEvent, LinkEventKind
from probe.soak import shorter
from probe.soak.journal import Baseline, Damaged, End, Entry, LinkSample, Sample, Spread, Start, StateTime, Thinned
from probe.soak.reading import is_being_written, read_entries
from probe.soak.thinning import Sizes, thinned
from probe.soak.writing import CannotRecord, Journal
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


def lines_of(path: Path) -> list[bytes]:
    opened = Journal.create(path)
    opened.append(start(), *(sample(float(t)) for t in range(5)))
    opened.close()
    return path.read_bytes().splitlines()


@pytest.mark.parametrize(
    "damage", [b"{", b"\xff\xfe", b"null", b'{"type":"sample"}', b'{"type":"sample","t":"x","links":{}}']
)
def test_a_damaged_line_costs_that_line(damage: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    lines = lines_of(path)
    path.write_bytes(b"\n".join([*lines[:2], damage, *lines[3:], b""]))
    found = read_entries(path)
    assert found[2] == Damaged(t=0.0, line=3)
    assert [entry.t for entry in found if isinstance(entry, Sample)] == [0.0, 2.0, 3.0, 4.0]


def test_a_kind_of_line_from_the_future_is_not_guessed(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    lines = lines_of(path)
    path.write_bytes(b"\n".join([*lines[:2], b'{"type":"eye","t":1.0}', *lines[3:], b""]))
    with pytest.raises(DocumentError, match=r"does not know \('eye'\), so a newer one wrote it"):
        read_entries(path)


def test_a_newer_schema_is_not_guessed(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    head, *rest = lines_of(path)
    path.write_bytes(b"\n".join([head.replace(b"linkprobe/soak/1", b"linkprobe/soak/2"), *rest]))
    with pytest.raises(DocumentError, match="comes from a newer linkprobe"):
        read_entries(path)


@pytest.mark.parametrize("content", [b"", b"{}\n", b"hello\n"])
def test_no_journal(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_bytes(content)
    with pytest.raises(
        DocumentError, match=r"does not begin as a journal does|is not a linkprobe document|is not JSON"
    ):
        read_entries(path)


def test_a_file_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_text("mine")
    with pytest.raises(InputError, match="is already there"):
        Journal.create(path)
    assert path.read_text() == "mine"


def test_who_writes_to_a_journal_is_known(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    opened = Journal.create(path)
    opened.append(start())
    assert is_being_written(path)
    opened.close()
    assert not is_being_written(path)


def test_room_that_was_kept_is_given_back(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    opened = Journal.create(path)
    opened.append(start(), sample(0.0))
    size = path.stat().st_size
    kept = path.stat().st_blocks * 512 - size
    opened.close()
    assert path.stat().st_size == size
    assert path.stat().st_blocks * 512 - size < 1 << 16 < kept


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of 512 KiB."""
    place = tmp_path / "small"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=512k", "none", str(place)]
    if subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("nothing can be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", place], check=True)


def test_a_full_disk_has_room_for_the_end(small: Path) -> None:
    path = small / "x.jsonl"
    opened = Journal.create(path)
    opened.append(start())

    def fill() -> None:
        for t in range(100_000):
            opened.append(sample(float(t)))

    with pytest.raises(CannotRecord, match="No space left on device"):
        fill()
    (small / "others").touch()
    with contextlib.suppress(OSError):
        (small / "others").write_bytes(bytes(1 << 20))  # whatever room there still was
    end = End(t=9.0, why="full", complete=False)
    opened.append_last(end)
    opened.close()
    assert read_entries(path)[-1] == end


FEW = Sizes(fine=60, bucket=10, coarse=20)


def test_thinning_keeps_bounds_means_and_every_event() -> None:
    event = LinkEvent(t=5.5, place_id=PLACE, kind=LinkEventKind.STATE, sentence="x")
    entries: list[Entry] = [start(), *(sample(float(t), 2.5 if t == 7 else 16.0, float(t)) for t in range(200)), event]
    found = list(thinned(entries, FEW))
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
    assert first.states[PLACE] == (StateTime(16.0, 4, 8.0, 0.0, 0.0), StateTime(2.5, 4, 1.0, 0.0, 0.0))


def test_thinning_again_adds_up() -> None:
    entries: list[Entry] = [start(), *(sample(float(t), heat=float(t)) for t in range(500))]
    for _ in range(3):
        entries = list(thinned(entries, Sizes(fine=10, bucket=10, coarse=3)))
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


def settled(opened: Journal) -> None:
    """Until a shorter journal that is being made has taken its place."""
    while opened.shorter is not None:
        time.sleep(0.01)
        opened.append()


def test_days_stay_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fdatasync", lambda _: None)
    path = tmp_path / "x"
    opened = Journal.create(path, Sizes(fine=50, bucket=10, coarse=20))
    opened.append(start())
    for t in range(1000):
        opened.append(sample(float(t)))
        if t % 100 == 99:
            settled(opened)
    opened.close()
    entries = read_entries(path)
    assert len(entries) < 200
    assert sum(e.samples if isinstance(e, Thinned) else isinstance(e, Sample) for e in entries) == 1000
    assert [name.name for name in tmp_path.iterdir()] == ["x"]


def test_what_comes_while_it_is_made_shorter_is_not_lost(tmp_path: Path) -> None:
    path = tmp_path / "x"
    opened = Journal.create(path, Sizes(fine=50, bucket=10, coarse=20))
    opened.append(start(), *(sample(float(t)) for t in range(100)))
    assert opened.shorter is not None
    for t in range(100, 103):
        opened.append(sample(float(t)))
    settled(opened)
    opened.append(sample(103.0))
    assert being_written_as_others_see_it(path)
    opened.close()
    entries = read_entries(path)
    assert [entry.t for entry in entries if isinstance(entry, Sample)] == [float(t) for t in range(50, 104)]
    assert sum(entry.samples for entry in entries if isinstance(entry, Thinned)) == 50


def test_a_shorter_one_that_fails_costs_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shorter, "own_process", lambda *_: ["false"])
    path = tmp_path / "x"
    opened = Journal.create(path, Sizes(fine=50, bucket=10, coarse=20))
    opened.append(start(), *(sample(float(t)) for t in range(100)))
    settled(opened)
    opened.append(sample(100.0))
    opened.close()
    assert sum(isinstance(entry, Sample) for entry in read_entries(path)) == 101


def test_one_that_is_not_wanted_any_more_leaves_nothing(tmp_path: Path) -> None:
    opened = Journal.create(tmp_path / "x", Sizes(fine=50, bucket=10, coarse=20))
    opened.append(start(), *(sample(float(t)) for t in range(100)))
    opened.close()
    assert [name.name for name in tmp_path.iterdir()] == ["x"]


ASKS = (
    "import sys; from pathlib import Path; from probe.soak.reading import *; print(is_being_written(Path(sys.argv[1])))"
)


def being_written_as_others_see_it(path: Path) -> bool:
    told = subprocess.run([sys.executable, "-c", ASKS, path], capture_output=True, text=True, check=True)
    return told.stdout == "True\n"
