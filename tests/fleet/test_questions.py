"""Each question finds the planted faults and nothing else, and answers alike on both engines."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ibis
import msgspec
import pytest
from scipy.stats import binomtest

from probe.fleet.engine import opened
from probe.fleet.parts import Store, new_parts
from probe.fleet.questions import QUESTIONS, _lower_bound, errors, history, latest, outliers
from probe.fleet.rows import LinkRow
from tests.fleet.conftest import Filled

TOP = Path(__file__).parents[2]
PLAIN = LinkRow(
    date="2026-01-05", file_id="f", origin="snapshot", host="h", board="b", taken_s=1_000, boot_id="boot",
    uptime_s=50.0, place_id="p", place="1", address="0000:00:01.0", component="c", kind="1:2", identity="serial 1",
    verdict="full", standing="slot", alarming=False, speed_gts=16.0, width=8, possible_speed_gts=16.0,
    possible_width=8, correctable=0, nonfatal=0, fatal=0, reason=None,
)  # fmt: skip


@pytest.fixture
def ask(tmp_path: Path) -> Callable[..., list[dict[str, Any]]]:
    """Put rows into a store of their own and ask."""

    def call(question: Callable[[ibis.Table], ibis.Table], *rows: LinkRow) -> list[dict[str, Any]]:
        store = Store(str(tmp_path))
        store.add(new_parts(msgspec.structs.replace(row, file_id=f"{number}") for number, row in enumerate(rows)))
        with opened(store) as links:
            return list(question(links).to_pyarrow().to_pylist())

    return call


def row(**changes: Any) -> LinkRow:
    return msgspec.structs.replace(PLAIN, **changes)


@pytest.mark.parametrize(
    ("question", "faults"),
    [
        ("below", {"width", "speed"}),
        ("outliers", {"width", "speed", "narrow slot"}),
        ("errors", {"errors"}),
    ],
)
def test_a_question_finds_exactly_what_was_planted(filled: Filled, question: str, faults: set[str]) -> None:
    with opened(filled.store) as links:
        found = QUESTIONS[question](links).to_pyarrow().to_pylist()
    told = sorted((item["host"], item["address"]) for item in found)
    assert told == sorted((item.host, item.address) for item in filled.planted if item.fault in faults)


def test_the_inventory_counts_every_link_once(filled: Filled) -> None:
    with opened(filled.store) as links:
        assert sum(item["links"] for item in QUESTIONS["inventory"](links).to_pyarrow().to_pylist()) == 40 * 12


def test_latest_is_the_newest_snapshot_and_a_place_that_left_is_not_in_it(ask: Any) -> None:
    found = ask(latest, row(), row(place_id="q"), row(taken_s=2_000, width=4))
    assert [(item["place_id"], item["width"]) for item in found] == [("p", 4)]


@pytest.mark.parametrize(("hosts", "told"), [(3, 0), (7, 0), (8, 1), (30, 1)])
def test_small_groups_say_nothing(ask: Any, hosts: int, told: int) -> None:
    rows = [row(host=f"h{number}", width=4 if number == 0 else 8) for number in range(hosts)]
    assert len(ask(outliers, *rows)) == told


def test_links_at_rest_are_no_peers(ask: Any) -> None:
    rest = [row(host=f"r{number}", verdict="resting", speed_gts=2.5) for number in range(20)]
    assert ask(outliers, *rest, *[row(host=f"h{number}") for number in range(9)]) == []


@pytest.mark.published("E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; scipy's binomtest as the witness")
@pytest.mark.parametrize(("alike", "peers"), [(7, 8), (99, 100), (3, 5), (1, 1), (512, 1000)])
def test_the_interval_is_wilsons(alike: int, peers: int) -> None:
    table = ibis.memtable({"alike": [alike], "peers": [peers]})
    (ours,) = ibis.duckdb.connect().to_pyarrow(_lower_bound(table.alike, table.peers)).to_pylist()
    assert ours == pytest.approx(binomtest(alike, peers).proportion_ci(0.95, method="wilson").low, abs=1e-4)


def test_errors_over_a_reboot_are_the_least_that_came(ask: Any) -> None:
    (found,) = ask(
        errors,
        row(correctable=100),
        row(correctable=107, taken_s=4_600),
        row(correctable=2, taken_s=8_200, boot_id="next"),
    )
    assert (found["correctable"], found["hours"], found["an_hour"]) == (9, 2.0, 4.5)


def test_what_was_counted_before_the_first_snapshot_is_no_rise(ask: Any) -> None:
    assert ask(errors, row(correctable=100), row(correctable=100, taken_s=4_600)) == []


def test_what_was_not_read_is_no_rise(ask: Any) -> None:
    """null is not read, never zero: 100, not read, 107 is a rise of 7."""
    unread = {"correctable": None, "nonfatal": None, "fatal": None}
    rows = [row(**unread), row(correctable=100, taken_s=2_000), row(**unread, taken_s=3_000)]
    (found,) = ask(errors, *rows, row(correctable=107, taken_s=4_000))
    assert (found["correctable"], found["nonfatal"], found["fatal"]) == (7, 0, 0)


def test_worst_first(ask: Any) -> None:
    rows = [row(host=name, correctable=0, fatal=0) for name in "ab"]
    rows += [row(host="a", correctable=9, taken_s=2_000), row(host="b", fatal=1, taken_s=2_000)]
    assert [item["host"] for item in ask(errors, *rows)] == ["b", "a"]


def test_history_tells_changes_only(ask: Any) -> None:
    states = [8, 8, 4, 4, None]
    rows = [row(taken_s=1_000 + number, width=width) for number, width in enumerate(states)]
    found = ask(lambda links: history(links, "h"), *rows, row(host="other"))
    assert [(item["since_s"], item["width"]) for item in found] == [(1_000, 8), (1_002, 4), (1_004, None)]


@pytest.mark.skipif(
    shutil.which("java") is None and os.environ.get("LINKPROBE_SPARK") != "required", reason="needs Java"
)
def test_spark_answers_as_duckdb_does(filled: Filled, tmp_path: Path) -> None:
    """Row for row, also where two writers took in some of the same files."""
    with opened(filled.store) as links:
        some = links.filter(links.date == "2026-01-05").limit(24).to_pyarrow().to_pylist()
    store = Store(str(tmp_path / "store"))
    shutil.copytree(filled.store.root, tmp_path / "store")
    store.add(new_parts(LinkRow(**item) for item in some))
    host = filled.planted[0].host
    found = every_answer(store.url, "duckdb", host)
    assert found["below"]
    assert found["history"]
    # In a process of its own: pyspark leaves its sockets to the garbage collector.
    told = subprocess.run(
        [sys.executable, "-c", _ON_SPARK, store.url, host], capture_output=True, cwd=TOP, check=True, text=True
    ).stdout
    assert found == json.loads(told.splitlines()[-1])


_ON_SPARK = """
import json, sys
from tests.fleet.test_questions import every_answer
print(json.dumps(every_answer(sys.argv[1], "spark", sys.argv[2])))
"""


def every_answer(url: str, engine: str, host: str) -> dict[str, list[dict[str, Any]]]:
    """Every question's answer."""
    questions = {**QUESTIONS, "history": lambda links: history(links, host)}
    with opened(Store(url), engine) as links:
        return {name: question(links).to_pyarrow().to_pylist() for name, question in questions.items()}
