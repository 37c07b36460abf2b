"""Two results of one test held against each other, and results beside snapshots."""

import json
import random
from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace
from scipy.stats import fisher_exact

from fake_sysfs.hardware import LaneFault, Receiver, Wall
from probe.active.binomial import told_apart
from probe.active.comparing import compared
from probe.active.documents import LinkSpeeds as Sped
from probe.active.documents import LinkTraining, SpeedsDocument, SpeedStep, TrainingDocument
from probe.active.margining.document import MarginDocument
from probe.compare.changes import Comparison, exit_status
from probe.compare.identity import Identity
from probe.evidence import Host
from probe.exit_status import ExitStatus
from probe.links.state import LinkState
from probe.result import Result
from tests.active.margin_bench import margin, model
from tests.conftest import Run

HOST = Host(taken_at="2026-03-01T10:00:00+00:00", name="mast-01", machine_id="1" * 32)
LATER = replace(HOST, taken_at="2026-03-02T10:00:00+00:00")
PLACE: dict[str, Any] = {
    "downstream_port": "0000:00:01.0",
    "upstream_port": "0000:01:00.0",
    "title": "slot 1",
    "place_id": "0.1",
}


def trained(short: int, of: int, host: Host = HOST, **changes: Any) -> TrainingDocument:
    result = Result.FAILED if short else Result.PASSED
    link = LinkTraining(
        **(PLACE | {"way": "retrain"} | changes), means="", before=LinkState(), expected=LinkState(), short=short, of=of,
        result=result,
    )  # fmt: skip
    return TrainingDocument(host=host, links=(link,), result=result, restored=True)


def told(document: Comparison) -> list[tuple[str, str]]:
    return [(change.kind, change.rank.value) for change in document.changes]


@pytest.mark.published("scipy.stats.fisher_exact")
def test_fishers_exact_test_is_that_of_scipy() -> None:
    drawn = random.Random(11)
    for _ in range(200):
        one, other = drawn.randint(1, 300), drawn.randint(1, 300)
        first, second = drawn.randint(0, one), drawn.randint(0, other)
        _, expected = fisher_exact([[first, one - first], [second, other - second]])
        assert told_apart((first, one), (second, other)) == pytest.approx(expected, rel=1e-6)


def test_more_short_trainings_are_worse_only_where_the_numbers_tell_them_apart() -> None:
    worse = compared(trained(0, 100), trained(9, 100, LATER))
    assert ("share short", "worse") in told(worse)
    assert exit_status(worse) is ExitStatus.FOUND
    assert worse.elapsed_s == 86_400.0
    alike = compared(trained(1, 20), trained(2, 20, LATER))
    assert told(alike) == [("share short", "neutral")]
    assert "do not tell the two apart" in alike.changes[0].sentence
    better = compared(trained(9, 100), trained(0, 100, LATER))
    assert set(told(better)) == {("share short", "better"), ("result", "better")}


def test_none_short_twice_is_no_change() -> None:
    assert compared(trained(0, 20), trained(0, 59, LATER)).changes == ()


@pytest.mark.parametrize(
    "after",
    [trained(0, 0, LATER), trained(0, 20, LATER, way="bus-reset"), trained(0, 20, LATER, place_id="0.2")],
)
def test_what_cannot_be_compared_is_told_and_decides_nothing(after: TrainingDocument) -> None:
    document = compared(trained(0, 20), after)
    assert "not measured" in {change.kind for change in document.changes}
    assert exit_status(document) is ExitStatus.NOTHING_JUDGED


def test_another_component_in_the_place_is_told() -> None:
    one, other = Identity(serial="00-00-00-00-00-00-00-01"), Identity(serial="00-00-00-00-00-00-00-02")
    document = compared(trained(0, 20, component=one), trained(0, 20, LATER, component=other))
    assert "serial 00-00-00-00-00-00-00-01 was tested before" in document.changes[0].sentence


def sped(host: Host = HOST, **top: Any) -> SpeedsDocument:
    steps = (
        SpeedStep(speed_gts=8.0, supported=True, trained=True, carries=True, clean=True),
        SpeedStep(speed_gts=16.0, supported=True, **({"trained": True, "carries": True, "clean": True} | top)),
    )
    link = Sped(**PLACE, means="", before=LinkState(), speeds=steps, result=Result.PASSED)
    return SpeedsDocument(host=host, links=(link,), result=Result.PASSED, restored=True)


def test_a_speed_that_is_no_longer_clean() -> None:
    document = compared(sped(), sped(LATER, clean=False))
    assert told(document) == [("generation", "worse")]
    assert document.changes[0].sentence == "16 GT/s, clean: yes before, no now"
    assert told(compared(sped(clean=False), sped(LATER))) == [("generation", "better")]
    unknown = compared(sped(), sped(LATER, clean=None))
    assert (told(unknown), exit_status(unknown)) == ([("not measured", "neutral")], ExitStatus.NOTHING_JUDGED)


SMALL: dict[str, Any] = {"timing_steps": 30, "voltage": False}
GOOD = Wall(left=20, right=20)


def margined(eyes: dict[int, Wall], host: Host = HOST, *, seconds: float = 0.02, **receiver: Any) -> MarginDocument:
    described = Receiver(**(SMALL | receiver), eye=GOOD, eyes=eyes)
    done = margin(model({1: described}), ends=frozenset({"port"}), seconds=seconds)
    return replace(done.document, host=host)


def test_a_lane_that_got_narrower_than_two_measurings_lie_apart() -> None:
    document = compared(margined({}), margined({2: Wall(left=17, right=19)}, LATER))
    assert [change.sentence for change in document.changes] == ["receiver 1, lane 2: left 20 before, 17 steps now"]
    assert told(document) == [("margin", "worse")]
    assert exit_status(document) is ExitStatus.FOUND


def test_an_eye_that_shut_is_worse_though_it_has_no_scale() -> None:
    document = compared(margined({}), margined({0: Wall(left=0, right=20)}, LATER))
    assert ("margin", "worse") in told(document)


def test_other_steps_are_compared_by_what_they_stand_for() -> None:
    """30 steps of 40 % and 15 steps of 40 %: 20 and 10 steps are the same 0.267 UI."""
    same = compared(margined({}), replace(_coarse(10), host=LATER))
    assert [change for change in same.changes if change.kind == "margin"] == []
    fell = compared(margined({}), replace(_coarse(7), host=LATER))
    narrower = [change.sentence for change in fell.changes if change.kind == "margin"]
    assert len(narrower) == 4
    assert "left 0.267 before, 0.187 UI now" in narrower[0]


def _coarse(steps: int) -> MarginDocument:
    receiver = Receiver(timing_steps=15, voltage=False, eye=Wall(left=steps, right=steps))
    return margin(model({1: receiver}), ends=frozenset({"port"}), seconds=0.02).document


def test_measured_in_another_way_is_neither_better_nor_worse() -> None:
    document = compared(margined({}), margined({2: Wall(left=10, right=20)}, LATER, seconds=0.05))
    assert [rank for kind, rank in told(document) if kind == "margin"] == ["neutral"]
    assert any("Measured otherwise (0.02 s and a limit of 4 before, 0.05 s" in note for note in document.notes)


def test_a_lane_that_was_measured_before_only() -> None:
    document = compared(margined({}), margined({}, LATER, faults={3: LaneFault(silent=True)}))
    assert "receiver 1, lane 3: left measured before only" in {change.sentence for change in document.changes}
    assert exit_status(document) is ExitStatus.NOTHING_JUDGED


def test_another_speed_is_not_compared() -> None:
    faster = margin(model({1: Receiver(**SMALL)}, best="32 GT/s x4"), ends=frozenset({"port"}), seconds=0.02).document
    document = compared(margined({}), replace(faster, host=LATER))
    assert "at 16 GT/s before, at 32 GT/s now" in document.changes[0].sentence


def write(path: Path, document: msgspec.Struct) -> Path:
    path.write_bytes(msgspec.json.encode(document))
    return path


def test_the_command_on_two_results(tmp_path: Path, run: Run) -> None:
    before, after = write(tmp_path / "a.json", trained(0, 100)), write(tmp_path / "b.json", trained(9, 100, LATER))
    status, out, _ = run("diff", before, after, "--json")
    found = json.loads(out)
    assert (status, found["schema"]) == (1, "linkprobe/diff/1")
    assert {"short in 0 of 100 before, in 9 of 100 now"} & {
        change["sentence"].partition(" (")[0] for change in found["changes"]
    }
    status, out, _ = run("diff", before, after)
    assert (status, "slot 1: short in 0 of 100 before" in out) == (1, True)
    status, out, _ = run("diff", before, after, "--markdown", "--junit", tmp_path / "j.xml")
    assert (status, "| slot 1 |" in out, 'failures="1"' in (tmp_path / "j.xml").read_text()) == (1, True, True)
    assert (
        run("report", write(tmp_path / "d.json", compared(trained(0, 9), trained(1, 9))), "-o", tmp_path / "p.html")[0]
        == 0
    )


def test_a_result_beside_two_snapshots(tmp_path: Path, run: Run) -> None:
    run("demo", "--write", tmp_path / "tree")
    run("snapshot", "--sysfs", tmp_path / "tree/sys", "-o", tmp_path / "s.json")
    shot = json.loads((tmp_path / "s.json").read_text())
    host = msgspec.convert(shot["evidence"]["host"], Host)
    place = shot["links"][0]["place_id"]
    result = write(tmp_path / "t.json", trained(3, 20, host, place_id=place))
    status, out, _ = run("diff", tmp_path / "s.json", result, tmp_path / "s.json", "--json")
    (change,) = (item for item in json.loads(out)["changes"] if item["kind"] == "test")
    assert (status, change["rank"], change["sentence"]) == (1, "worse", "train failed")


def test_results_of_different_machines(tmp_path: Path, run: Run) -> None:
    other = trained(0, 20, replace(LATER, machine_id="2" * 32))
    names = write(tmp_path / "a.json", trained(0, 20)), write(tmp_path / "b.json", other)
    assert run("diff", *names)[0] == 64
    assert run("diff", *names, "--different-machines")[0] == 0


@pytest.mark.parametrize("kinds", ["one", "mixed", "lone"])
def test_what_cannot_be_compared_is_one_sentence(tmp_path: Path, run: Run, kinds: str) -> None:
    one, other = write(tmp_path / "a.json", trained(0, 9)), write(tmp_path / "b.json", sped())
    run("demo", "--write", tmp_path / "tree")
    run("snapshot", "--sysfs", tmp_path / "tree/sys", "-o", tmp_path / "s.json")
    names = {"one": [one], "mixed": [one, other], "lone": [tmp_path / "s.json", one]}[kinds]
    status, out, told = run("diff", "--different-machines", *names)
    assert (status, out, len(told.splitlines())) == (64, "", 1)
