"""The record of a soak on a terminal, as JUnit XML and as CSV."""

import csv
import io
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import msgspec
import pytest
from rich.console import Console

from probe.render.csv import record as result_csv
from probe.render.csv import samples
from probe.render.junit import record as junit
from probe.render.terminal import record as screen
from probe.soak.journal import Sample
from probe.soak.record import Record, record
from probe.soak.thinning import Sizes, thinned
from tests.conftest import Run
from tests.soak.histories import history, save

HISTORY = history(16, 1200.0)
RECORD = record(HISTORY)


def drawn(document: Record, width: int = 80) -> list[str]:
    out = io.StringIO()
    screen.render(document, Console(file=out, width=width, highlight=False, markup=False))
    return out.getvalue().splitlines()


@pytest.mark.parametrize("width", [80, 120])
def test_a_row_a_link_the_worst_first(width: int) -> None:
    lines = drawn(RECORD, width)
    assert max(map(len, lines)) <= max(width, 100), "events are lines of a log"
    assert lines[0] == "failed  node-17, 20 min: 3 failed, 1 inconclusive, 11 passed"
    words = [line.split()[0] for line in lines if line.startswith(("failed ", "inconclusive ", "passed "))][1:]
    assert words == ["failed"] * 3 + ["inconclusive"] + ["passed"] * 11
    flowed = " ".join(" ".join(lines).split())
    assert flowed.index("slot 4 (port") < flowed.index("slot 1 (port"), "what cannot wait comes first"
    rows = [line for line in lines if line.startswith(("failed ", "inconclusive ", "passed "))]
    assert "slot" in rows[1]
    assert "it was not under load" in flowed


def test_two_loads_are_told_apart_by_what_they_load() -> None:
    names = [line.split()[1] for line in drawn(RECORD) if line.startswith("storage-read ")]
    assert len(names) == len(set(names)) == 14
    assert any(line.startswith("14 loads at once ") for line in drawn(RECORD))


def test_where_something_failed_the_steps_and_the_cautions_come() -> None:
    flowed = " ".join(" ".join(drawn(RECORD)).split())
    steps = flowed.partition("What to do")[2]
    assert steps.count("1. Keep the record, and save the evidence before anything is moved") == 2
    assert "slot 1 (port 0000:00:01.0), slot 2 (port 0000:00:02.0):" in steps
    assert "Parts are hottest now, right after the load" in steps
    assert "unplug every power cord" in steps


def test_where_nothing_failed_nobody_is_sent_to_the_machine() -> None:
    flowed = " ".join(drawn(record(history(16, 300.0, faults=False))))
    assert "What to do" not in flowed
    assert "hottest now" not in flowed


def test_errors_that_cannot_be_counted_are_not_none() -> None:
    uncounted = msgspec.structs.replace(RECORD.links[4], errors_counted=False)
    document = msgspec.structs.replace(RECORD, links=(uncounted,))
    assert any("not counted" in line for line in drawn(document, 120))
    (row,) = csv.DictReader(io.StringIO(result_csv.render(document)))
    assert (row["correctable"], row["fatal"]) == ("", "")


def test_too_many_events_leave_those_that_are_bad() -> None:
    calm = [msgspec.structs.replace(RECORD.events[-1], t=float(t), bad=False) for t in range(90)]
    document = msgspec.structs.replace(RECORD, events=(*calm, *RECORD.events))
    lines = drawn(document)
    assert any("the component is gone" in line for line in lines)
    assert any(line.startswith("and 73 more") for line in lines)


def test_junit() -> None:
    """A case that is inconclusive is an `error`, one that failed a `failure`: neither reads as a pass."""
    suite = ET.fromstring(junit.render(RECORD))  # noqa: S314 - our own
    assert {name: suite.get(name) for name in ("tests", "failures", "errors", "time")} == {
        "tests": "16", "failures": "4", "errors": "1", "time": "1200",
    }  # fmt: skip
    cases = {case.get("name"): case for case in suite}
    assert cases["the run as a whole"].find("failure") is not None
    assert cases["slot 3 (port 0000:00:03.0)"].find("error") is not None
    clean = cases["slot 5 (port 0000:00:05.0)"]
    assert [child.tag for child in clean] == ["system-out"]
    assert len(suite.findall("testcase/failure")) == 4


def test_the_result_as_csv() -> None:
    rows = list(csv.DictReader(io.StringIO(result_csv.render(RECORD))))
    by_title = {row["title"]: row for row in rows}
    assert len(rows) == 15
    second = by_title["slot 2 (port 0000:00:02.0)"]
    assert (second["result"], second["correctable"], second["fatal"]) == ("failed", "24", "0")
    first = by_title["slot 1 (port 0000:00:01.0)"]
    assert (first["best_speed_gts"], first["worst_speed_gts"], first["loaded"]) == ("16.0", "8.0", "True")


def test_the_samples_as_csv_fine_and_thinned() -> None:
    fine = [entry for entry in HISTORY if isinstance(entry, Sample)]
    thin = list(thinned([HISTORY[0], *fine], Sizes(fine=len(fine) - 100, bucket=100)))
    rows = list(csv.DictReader(io.StringIO(samples.render(thin))))
    assert len(rows) == 15 * (1 + len(fine) - 100)
    spans = [row for row in rows if row["samples"] == "100"]
    assert len(spans) == 15
    assert (spans[0]["t_s"], spans[0]["until_s"]) == ("0.0", "495.0")
    assert (
        float(spans[0]["temperature_c_least"])
        < float(spans[0]["temperature_c_mean"])
        < float(spans[0]["temperature_c_most"])
    )
    gone = [row for row in rows if row["title"].startswith("slot 4 ") and row["t_s"] == "630.0"]
    assert [(row["speed_gts_mean"], row["temperature_c_mean"]) for row in gone] == [("", "")]


def test_every_form_by_its_name(tmp_path: Path, run: Run) -> None:
    journal = save(tmp_path / "record.jsonl", HISTORY)
    files = [tmp_path / f"x{end}" for end in (".xml", ".csv", ".samples.csv", ".html")]
    status, _, err = run("soak", "close", journal, *(word for file in files for word in ("--also", file)))
    assert status == 2
    assert "SHA-256 " in err
    for file in files:
        again = tmp_path / f"again-{file.name}"
        assert run("report", journal, "-o", again)[0] == 0
        assert again.read_bytes() == file.read_bytes()
    status, _, err = run("soak", "close", journal, "--also", tmp_path / "x.txt")
    assert (status, "end it in .html, .xml, .csv, .samples.csv" in err) == (64, True)


def test_a_reader_that_has_gone_does_not_change_the_status(tmp_path: Path) -> None:
    journal = save(tmp_path / "record.jsonl", HISTORY)
    for form in ((), ("--json",)):
        closing = subprocess.Popen(
            [sys.executable, "-m", "probe", "soak", "close", str(journal), *form],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        assert closing.stdout is not None
        closing.stdout.close()
        assert closing.wait() == 2
