"""The command: its screens, tables, pages and exit statuses."""

import csv
import io
import json
from pathlib import Path

import pytest

from fake_sysfs import Machine, card, machine, root_port
from probe.batch.standing import Standing
from probe.documents.files import encode
from probe.render.batch_words import MARKS
from tests.batch.made import board, snapshot
from tests.conftest import Run


def saved(folder: Path, *boards: Machine) -> list[Path]:
    files = []
    for described in boards:
        files.append(folder / f"{described.name}.json")
        files[-1].write_bytes(encode(snapshot(described)))
    return files


@pytest.fixture
def twelve(tmp_path: Path) -> list[Path]:
    odd = board(7, trained="16 GT/s x4")
    return saved(tmp_path, *(odd if number == 7 else board(number) for number in range(1, 13)))


def test_the_screen_says_who_is_odd_and_why(twelve: list[Path], run: Run) -> None:
    status, out, err = run("batch", *twelve)
    assert (status, err) == (1, "")
    assert "12 machines of Karrow Fen Workshop Bench board 3  2 places: 1 odd" in out
    assert "board-07  slot 1" in out
    assert "runs at 16 GT/s x4, where 11 of 12 run at 16 GT/s x8" in out


@pytest.mark.parametrize("width", [80, 120])
def test_no_line_is_wider_than_the_screen(
    width: int, twelve: list[Path], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    _, out, _ = run("batch", *twelve)
    assert max(map(len, out.splitlines())) <= width
    marks = [line for line in out.splitlines() if line.startswith("  slot 1 ")]
    assert "".join(marks).count(MARKS[Standing.ODD]) == 1
    assert sum(line.count(".") for line in marks) == 11


def test_four_of_which_two_differ(tmp_path: Path, run: Run) -> None:
    files = saved(tmp_path, board(1), board(2), board(3, device=0x0999), board(4, device=0x0999))
    status, out, _ = run("batch", *files)
    assert status == 3
    assert "4 machines are too few to call one odd: it takes 8" in out
    assert (
        "2 hold Ethernet controller (board-01, board-02); 2 hold Ethernet controller (board-03, board-04): nobody"
        in (" ".join(out.split()))
    )


def test_csv_has_a_row_a_reading(twelve: list[Path], run: Run) -> None:
    _, out, _ = run("batch", "--csv", *twelve)
    rows = list(csv.DictReader(io.StringIO(out)))
    odd = [row for row in rows if row["standing"] == "odd"]
    assert [(row["machine"], row["title"], row["measure"], row["word"]) for row in odd] == [
        ("board-07", "slot 1", "state", "16 GT/s x4")
    ]
    assert {row["count"] for row in rows if row["measure"] == "errors"} == {"0"}
    assert len({row["machine"] for row in rows}) == 12


def test_json_keeps_what_it_was_made_of(twelve: list[Path], run: Run) -> None:
    status, out, _ = run("batch", "--json", *twelve)
    document = json.loads(out)
    assert (status, document["schema"], document["enough"]) == (1, "linkprobe/batch/1", 8)
    assert document["machines"][6]["files"] == [str(twelve[6])]
    assert document["places"][0]["cells"][6]["standing"] == "odd"


def test_a_page_with_a_heat_table(twelve: list[Path], tmp_path: Path, run: Run) -> None:
    (tmp_path / "batch.json").write_text(run("batch", "--json", *twelve)[1])
    status, _, err = run("report", tmp_path / "batch.json", "-o", tmp_path / "page.html")
    page = (tmp_path / "page.html").read_text()
    assert (status, err.strip()) == (0, str(tmp_path / "page.html"))
    assert "odd: board-07" in page
    assert page.count('<td class="odd">odd</td>') == 2  # in the list, and in the heat table
    assert page.count('<td class="usual">.</td>') == 2 * 12 - 1 + 12


def test_a_redacted_page_names_no_machine(twelve: list[Path], tmp_path: Path, run: Run) -> None:
    (tmp_path / "batch.json").write_text(run("batch", "--json", *twelve)[1])
    run("report", tmp_path / "batch.json", "-o", tmp_path / "page.html", "--redact")
    assert "board-07" not in (tmp_path / "page.html").read_text()


def test_what_cannot_be_a_batch(tmp_path: Path, run: Run) -> None:
    (one,) = saved(tmp_path, board(1))
    status, out, err = run("batch", one)
    assert (status, out) == (64, "")
    assert err.strip() == "linkprobe: 1 file: a batch has 2 machines at least; give files of at least two machines"


def test_a_hostile_name_of_a_machine_stays_text(tmp_path: Path, run: Run) -> None:
    files = saved(tmp_path, board(1), board(2))
    text = files[1].read_text().replace('"name":"board-02"', '"name":"=1+1\\u001b[2J"')
    files[1].write_text(text)
    assert "\x1b" not in run("batch", *files)[1]
    assert "'=1+1" in run("batch", "--csv", *files)[1]


def test_of_many_places_those_are_shown_that_have_something_to_tell(tmp_path: Path, run: Run) -> None:
    def many(number: int, **odd: str) -> Machine:
        ports = [
            root_port(f"0000:{index:02x}:01.0", "16 GT/s x4", slot=index + 1).holds(
                card("16 GT/s x4", **(odd if index == 29 else {}))
            )
            for index in range(40)
        ]
        return machine(*ports, name=f"node-{number}", machine_id=f"{number:032x}")

    files = saved(tmp_path, *(many(number) for number in range(1, 9)), many(9, trained="16 GT/s x1"))
    lines = run("batch", *files)[1].splitlines()
    assert [line.split()[:2] for line in lines if line.startswith("  slot")] == [["slot", "30"]]
    assert "  In 39 other places every cell is as usual." in [line.rstrip() for line in lines]
    (tmp_path / "batch.json").write_text(run("batch", "--json", *files)[1])
    run("report", tmp_path / "batch.json", "-o", tmp_path / "page.html")
    assert "In 39 other places every cell is as usual." in (tmp_path / "page.html").read_text()
