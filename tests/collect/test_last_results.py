"""What a test found goes into the spool: monitoring is told the last of each link, and the fleet gets the document."""

import json
import os
from pathlib import Path

import pytest
from msgspec.structs import replace
from prometheus_client.parser import text_string_to_metric_families

from fake_sysfs import Tree, card, machine, root_port
from probe.active.last import last_of
from probe.collect.settings import Settings
from probe.collect.spool import Spool
from probe.fleet.ingest import Ingested, ingest
from probe.fleet.table import Store
from tests.active import made_results as made
from tests.conftest import Run

PORT = "0000:00:01.0"


def tree() -> Tree:
    return machine(root_port(PORT, "16 GT/s x8", slot=1).holds(card("16 GT/s x8")), machine_id="1" * 32).build()


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tree().write(tmp_path / "tree")


def told(path: Path) -> dict[tuple[str, ...], float]:
    return {
        (sample.name, *(value for name, value in sorted(sample.labels.items()) if name != "place")): sample.value
        for family in text_string_to_metric_families(path.read_text())
        for sample in family.samples
        if "_test_" in sample.name or "training" in sample.name or "margin" in sample.name
    }


def test_a_test_is_told_to_monitoring_by_the_next_run(run: Run, root: Path, tmp_path: Path) -> None:
    spool, metrics = tmp_path / "spool", tmp_path / "linkprobe.prom"
    collect = ["collect", "--sysfs", root, "--spool", spool, "--metrics", metrics]
    run(*collect)
    assert told(metrics) == {}
    status, _, _ = run(
        "train", PORT, "--times", 2, "--go", "--accept", "link-loss", "--sysfs", root, "--spool", spool, "--json"
    )
    run(*collect)
    found = told(metrics)
    assert status == 3
    assert found["linkprobe_link_test_result", "inconclusive", "train"] == 1.0
    assert found["linkprobe_link_test_result", "failed", "train"] == 0.0
    assert found["linkprobe_link_test_whole", "train"] == 1.0
    assert found["linkprobe_link_test_timestamp_seconds", "train"] > 1e9
    assert (found["linkprobe_link_trainings",], found["linkprobe_link_trainings_short",]) == (0.0, 0.0)
    assert len(list(spool.glob("*.json.gz"))) == 2  # a shell's pattern for snapshots finds no result
    assert run("history", *spool.glob("*.json.gz"))[0] == 0


def test_without_a_spool_named_a_tree_keeps_nothing(run: Run, root: Path, tmp_path: Path) -> None:
    run("train", PORT, "--times", 1, "--go", "--accept", "link-loss", "--sysfs", root)
    assert not (tmp_path / "spool").exists()


def test_a_spool_that_cannot_be_used_is_told_and_fails_nothing(run: Run, root: Path, tmp_path: Path) -> None:
    (tmp_path / "spool").write_text("in the way")
    status, out, said = run(
        "train", PORT, "--times", 1, "--go", "--accept", "link-loss", "--sysfs", root, "--spool", tmp_path / "spool",
        "--json",
    )  # fmt: skip
    assert (status, json.loads(out)["restored"]) == (3, True)
    assert "the result was not kept for monitoring" in said


def test_the_later_result_of_a_test_at_a_link_is_the_last(tmp_path: Path) -> None:
    spool = Spool(Settings(spool=str(tmp_path / "spool")))
    for document in (made.training(), made.unobserved(), made.margins()):
        links = tuple(replace(link, place_id="0.1") for link in document.links)
        spool.keep_result(replace(document, links=links))
    by_test = {item.test: item for item in spool.results()}
    assert set(by_test) == {"train", "margin"}
    assert (by_test["train"].trainings, by_test["train"].result) == (0, "inconclusive")
    assert by_test["margin"].margin_ui == pytest.approx(3 * 0.4 / 12)
    assert by_test["margin"].margin_volts is None


def test_results_without_a_place_are_not_told() -> None:
    assert last_of(made.training()) == ()


def test_results_are_rotated_and_the_last_stays_told(tmp_path: Path) -> None:
    spool = Spool(Settings(spool=str(tmp_path / "spool"), keep_days=1.0))
    first = spool.keep_result(made.training())
    os.utime(first, (1.0, 1.0))
    second = spool.keep_result(made.margins())
    assert (first.exists(), second.exists()) == (False, True)


def test_a_damaged_note_tells_nothing_and_is_made_anew(tmp_path: Path) -> None:
    spool = Spool(Settings(spool=str(tmp_path / "spool")))
    document = made.training()
    document = replace(document, links=tuple(replace(link, place_id="0.1") for link in document.links))
    spool.keep_result(document)
    (tmp_path / "spool/.results.json").write_text("{")
    assert spool.results() == ()
    spool.keep_result(document)
    assert [item.short for item in spool.results()] == [4]


def test_the_fleet_reads_results_from_the_spool_and_knows_the_place(run: Run, root: Path, tmp_path: Path) -> None:
    spool = tmp_path / "spool"
    run("collect", "--sysfs", root, "--spool", spool)
    run("train", PORT, "--times", 2, "--go", "--accept", "link-loss", "--sysfs", root, "--spool", spool, "--json")
    store = Store(str(tmp_path / "store"))
    assert ingest([spool], store) == Ingested(taken=2)
    _, out, _ = run("fleet", "results", "--store", tmp_path / "store", "--format", "json")
    (row,) = json.loads(out)
    assert (row["test"], row["result"], row["place"]) == ("training", "inconclusive", "1")
    assert (row["trainings"], row["trainings_short"]) == (0, 0)
