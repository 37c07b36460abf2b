"""The comparing commands as a person runs them."""

import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from probe.audit.snapshot import Snapshot
from probe.documents.files import encode
from tests.compare.machines import A, B, drive, of, slot, snapshot
from tests.conftest import Run


def saved(path: Path, made: Snapshot) -> Path:
    path.write_bytes(encode(made))
    return path


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return saved(tmp_path / "good.json", snapshot(of(slot(1, drive()), slot(2)), uptime_s=3600.0))


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    worse = drive(trained="8 GT/s x4", counters={"correctable": {"Receiver Error": 9}})
    return saved(tmp_path / "bad.json", snapshot(of(slot(1, worse), slot(2)), uptime_s=7200.0))


def test_diff(run: Run, good: Path, bad: Path) -> None:
    assert run("diff", good, good) == (0, "machine  compared, 0 s between the two\nNothing changed.\n", "")
    status, out, _ = run("diff", good, bad)
    assert status == 1
    for text in (
        "For the worse", "speed fell from 16 GT/s to 8 GT/s", "was full, is downtrained",
        "9 correctable errors; suspect host to component", "limit 6/2h",
    ):  # fmt: skip
        assert text in out


def test_diff_limits(run: Run, good: Path, tmp_path: Path) -> None:
    noisy = drive(counters={"correctable": {"Receiver Error": 9}})
    after = saved(tmp_path / "noisy.json", snapshot(of(slot(1, noisy), slot(2)), uptime_s=7200.0))
    assert run("diff", good, after)[0] == 1
    assert run("diff", good, after, "--correctable", "10/2h")[0] == 0
    status, _, told = run("diff", good, after, "--correctable", "ten")
    assert (status, told) == (64, "linkprobe: 'ten': is no limit; write errors and hours, as 6/2h\n")


def test_diff_json_and_markdown(run: Run, good: Path, bad: Path) -> None:
    document = json.loads(run("diff", good, bad, "--json")[1])
    assert document["schema"] == "linkprobe/diff/1"
    assert {change["rank"] for change in document["changes"]} == {"worse"}
    assert document["errors"][0]["per_hour"] == 9.0
    text = run("diff", good, bad, "--markdown")[1]
    assert text.startswith("# machine\n")
    assert "| slot 1 (port 0000:00:01.0) | was full, is downtrained |" in text


def test_diff_junit(run: Run, good: Path, bad: Path, tmp_path: Path) -> None:
    path = tmp_path / "out.xml"
    assert run("diff", good, bad, "--junit", path)[0] == 1
    suite = ET.parse(path).getroot()  # noqa: S314 - our own file
    assert (suite.tag, suite.get("failures")) == ("testsuite", "1")
    assert int(suite.get("tests", "0")) == len(suite.findall("testcase"))
    (failure,) = suite.findall("testcase/failure")
    assert "downtrained" in (failure.text or "")
    run("diff", good, good, "--junit", path)
    assert ET.parse(path).getroot().get("failures") == "0"  # noqa: S314 - our own file


def test_diff_of_three_says_where_the_trouble_lies(run: Run, tmp_path: Path) -> None:
    first = saved(tmp_path / "1", snapshot(of(slot(1, drive(A, "16 GT/s x1")), slot(2, drive(B)))))
    last = saved(tmp_path / "2", snapshot(of(slot(1, drive(B)), slot(2, drive(A, "16 GT/s x1")))))
    assert "the trouble follows the card" in " ".join(run("diff", first, first, last)[1].split())


def test_history(run: Run, good: Path, bad: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    told = run("history", good, bad)[1]
    assert "2 snapshots of 1 boot" in told
    assert "in 1 of 1 training " in " ".join(told.split())
    document = json.loads(run("history", good, bad, "--json")[1])
    assert document["places"][0]["short"] == 1


def test_expectations(run: Run, good: Path, bad: Path, tmp_path: Path) -> None:
    file = tmp_path / "expect.toml"
    assert run("expect", "write", good, "-o", file)[0] == 0
    assert run("expect", "write", good)[1] == file.read_text()
    assert run("expect", "check", file, good)[0] == 0
    assert run("audit", good, "--expect", file)[0] == 0
    status, out, _ = run("audit", bad, "--expect", file)
    assert status == 1
    assert "not as expected" in out
    assert "runs at 8 GT/s, 16 GT/s was expected" in " ".join(out.split())
    assert "was expected" in run("audit", bad, "--expect", file, "--quiet")[1]
    told = run("expect", "write", bad)[2]
    assert told.startswith("linkprobe: slot 1 (port 0000:00:01.0) is downtrained now, and is written as it is: ")
    document = json.loads(run("expect", "check", file, bad, "--json")[1])
    assert document["deviations"][0]["rule"] == 'slot = "1"'


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("diff", "{good}"), "one snapshot is nothing to compare"),
        (("diff", "{good}", "/absent"), "/absent: cannot be read"),
        (("audit", "{good}", "--expect", "/absent"), "/absent: cannot be read"),
        (("audit", "{good}", "--expect", "{good}"), "is not TOML"),
        (("log", "/absent"), "/absent: cannot be read"),
        (("ratio", "64", "x4"), "the ratio does not apply"),
        (("ratio", "16", "x4", "--errors", "3"), "one was given without the other"),
        (("ratio", "16", "x4", "--errors", "3", "--hours", "0"), "--hours 0: is no time"),
        (("ratio", "16", "x4", "--confidence", "2"), "2.0: no confidence"),
    ],
)
def test_bad_input(arguments: tuple[str, ...], told: str, run: Run, good: Path) -> None:
    status, out, err = run(*(text.format(good=good) for text in arguments))
    assert (status, out) == (64, "")
    assert told in err
    assert err.count("\n") == 1


def test_nothing_to_compare(run: Run, tmp_path: Path) -> None:
    empty = saved(tmp_path / "empty", snapshot(of(slot(1))))
    document = json.loads(empty.read_text())
    document["links"] = []
    empty.write_text(json.dumps(document))
    assert run("diff", empty, empty)[0] == 3


LOG = (
    "[   12.500000] nvme 0000:41:00.0: PCIe Bus Error: severity=Correctable, type=Data Link Layer, (Transmitter ID)\n"
    "[   12.500001] nvme 0000:41:00.0:   device [1234:5678] error status/mask=00001000/00002000\n"
    "[   12.600000] usb 1-1: new device\n"
)


def test_log(run: Run) -> None:
    out = run("log", "-", stdin=LOG.encode())[1]
    assert "0000:41:00.0  correctable error: Replay Timer Timeout" in out
    (event,) = (json.loads(line) for line in run("log", "-", "--json", stdin=LOG.encode())[1].splitlines())
    assert (event["errors"], event["time_s"]) == (["Replay Timer Timeout"], 12.5)
    assert "Nothing in this log" in run("log", "-", stdin=b"nothing")[1]


def test_ratio(run: Run) -> None:
    document = json.loads(run("ratio", "32", "x16", "--json")[1])
    assert document["clean_s"] == pytest.approx(5.85, abs=0.01)
    out = run("ratio", "16", "x4", "--errors", "3", "--hours", "24")[1]
    for text in ("46.8 s without an error", "estimate", "95 % interval", "no acceptance limit"):
        assert text in out
