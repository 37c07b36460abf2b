"""The least share of its ceiling that a person asks of each way of a link: who fails by it, who does not, who is in doubt."""

import csv
import io
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from pathlib import Path

import pytest
from msgspec.structs import replace
from rich.console import Console

from probe.documents.record_file import RecordFile
from probe.loads.results import BOTH, FROM_HOST, READ_TWICE, TO_HOST, Pass
from probe.render.csv import record as as_csv
from probe.render.forms import soak_drawn_as
from probe.render.junit import record as as_junit
from probe.render.terminal import record as on_screen
from probe.result import Result
from probe.soak.journal import Baseline, End, Entry, LinkSample, Sample, Start
from probe.soak.record import LinkOutcome, Record, record
from probe.soak.thinning import Sizes, thinned
from tests.conftest import Run
from tests.soak.test_together import LINKS, MACHINE, OWN, THIRDS, measured

FAILED = Result.FAILED


def entries(passes: Sequence[Pass], at_least: float | None = None, rate: float | None = None) -> list[Entry]:
    """A whole run in which these links were loaded all the time, at their best."""
    places = sorted({place for item in passes for place in item.places})
    samples = [
        Sample(float(t), {place: LinkSample(16.0, 4, float(OWN), None, None) for place in places}) for t in range(60)
    ]
    start = Start(
        snapshot=MACHINE, place_ids=tuple(places), loads=("x",), interval_s=1.0, planned_s=59.0, asked=tuple(places),
        correctable_limit="6/2h", accepts=("uncounted-errors",), rate_bytes_s=rate, at_least=at_least,
    )  # fmt: skip
    end = End(t=59.0, why="the planned time was over", complete=True)
    return [start, Baseline(0.0, {}), *samples[:5], *passes, *samples[5:], end]


def soaked(passes: Sequence[Pass], at_least: float | None = None, rate: float | None = None) -> Record:
    return record(entries(passes, at_least, rate))


def only(found: Record) -> LinkOutcome:
    (link,) = found.links
    return link


def drive_0(share: float, way: str = TO_HOST) -> list[Pass]:
    return measured({"drive 0": share}, way)


@pytest.mark.parametrize(
    ("share", "asked", "result"),
    [(0.4, None, "passed"), (0.4, 0.5, "failed"), (0.6, 0.5, "passed"), (0.8, 0.9, "failed"), (1.0, 1.0, "passed")],
)
def test_slow_fails_only_where_a_share_was_asked_for(share: float, asked: float | None, result: str) -> None:
    found = soaked(drive_0(share), asked)
    assert (found.result, only(found).result) == (result, result), found.reasons
    assert only(found).slowest_share == pytest.approx(share, rel=0.005)
    if result == "failed":
        (reason,) = only(found).failed
        assert reason.startswith("to host, x drive 0: falls short: 0.")
        assert reason.endswith(f"of its ceiling, where {asked} of it was asked for")
        assert found.throughput[0].questions, "it asks why, too"


def test_each_way_is_held_by_itself() -> None:
    found = soaked(drive_0(0.9) + drive_0(0.3, FROM_HOST), 0.8)
    assert [reason.partition(",")[0] for reason in only(found).failed] == [FROM_HOST]


def test_a_rate_that_was_set_is_the_ceiling() -> None:
    assert soaked(drive_0(0.2), 0.9, rate=OWN * 0.21).result is Result.PASSED
    found = soaked(drive_0(0.2), 0.9, rate=OWN * 0.4)
    assert found.result is Result.FAILED
    assert "of the rate that was set" in found.reasons[0]


def test_a_link_that_shares_another_is_held_by_their_sum() -> None:
    """Three at 0.6 of x4 fill 0.9 of the x8 that they share; at 0.2 they fill 0.3 of it."""
    assert soaked(measured(THIRDS), 0.85).result is Result.PASSED
    assert soaked(measured(THIRDS), 0.95).result is Result.FAILED
    assert [link.result for link in soaked(measured(dict.fromkeys(THIRDS, 0.2)), 0.5).links] == [FAILED] * 3


@pytest.mark.parametrize("way", [BOTH, READ_TWICE])
def test_what_cannot_be_held_is_in_doubt(way: str) -> None:
    assert soaked(drive_0(0.9, way)).result is Result.PASSED
    found = soaked(drive_0(0.9, way), 0.5)
    assert found.result is Result.INCONCLUSIVE
    assert (
        "no load measured what share of its ceiling it carries one way, of which 0.5 was asked for" in found.reasons[0]
    )


def test_a_link_loaded_by_the_persons_word_alone_is_in_doubt() -> None:
    place = LINKS["drive 0"].place_id
    run = entries(drive_0(0.9), 0.5)
    start = run[0]
    assert isinstance(start, Start)
    claimed = [replace(start, covers=(place,)), *(entry for entry in run[1:] if not isinstance(entry, Pass))]
    assert only(record(claimed)).result is Result.INCONCLUSIVE


def between(share: float, to: str) -> list[Pass]:
    passes = measured({"drive 0": share}, "0 to 1")
    return [replace(item, peer_place_id=to) for item in passes]


def test_a_slow_way_between_two_components_blames_neither_link() -> None:
    other = LINKS["drive 1"].place_id
    assert soaked(between(0.9, other), 0.5).result is Result.PASSED
    found = soaked(between(0.3, other), 0.5)
    assert (found.result, {link.result for link in found.links}) == (Result.FAILED, {Result.PASSED})
    assert found.own_reasons == found.reasons
    assert "x drive 0, 0 to 1: falls short" in found.reasons[0]


def test_a_way_of_unknown_ceiling_is_in_doubt() -> None:
    found = soaked(drive_0(0.9) + between(0.9, "nowhere"), 0.5)
    assert found.result is Result.INCONCLUSIVE
    assert found.own_reasons == ("x drive 0, 0 to 1: no ceiling is known, of which 0.5 was asked for",)
    assert "nothing" not in found.reasons[0]


@pytest.mark.parametrize("share", [0.49, 0.51])
def test_thinning_changes_nothing(share: float) -> None:
    run = entries(drive_0(share) + drive_0(0.9), 0.5)
    fewer = list(thinned(run, Sizes(fine=10, bucket=5, coarse=4)))
    assert len(fewer) < len(run)
    assert record(fewer).result is record(run).result
    assert record(fewer).throughput == record(run).throughput


def test_a_share_never_reads_as_more_than_it_is() -> None:
    assert "falls short: 0.899 of its ceiling, where 0.9" in soaked(drive_0(0.8999), 0.9).reasons[0]


def test_every_form_tells_it(tmp_path: Path) -> None:
    found = soaked(drive_0(0.4), 0.5)
    out = io.StringIO()
    on_screen.render(found, Console(file=out, width=120))
    assert "where 0.5 of it was asked for" in " ".join(out.getvalue().split())
    assert "At least 0.5 of its ceiling was asked for, each way." in out.getvalue()
    (row,) = csv.DictReader(io.StringIO(as_csv.render(found)))
    assert (row["result"], row["at_least"]) == ("failed", "0.5")
    assert float(row["slowest_share"]) == pytest.approx(0.4, rel=0.005)
    case = ET.fromstring(as_junit.render(found)).findall("testcase")[1]  # noqa: S314 - our own
    failure = case.find("failure")
    assert failure is not None
    assert "where 0.5 of it was asked for" in (failure.text or "")
    assert "of its ceiling, at least 0.5 asked for" in (case.findtext("system-out") or "")
    page = tmp_path / "page.html"
    drawn = soak_drawn_as(page, found, entries(drive_0(0.4), 0.5), RecordFile(name="record.jsonl", sha256="0" * 64))
    assert "least share of its ceiling, each way</td><td>0.5" in drawn.decode()


@pytest.mark.parametrize("share", ["0", "-1", "1.01", "nan", "inf", "80"])
def test_what_is_no_share_is_refused_and_leaves_no_record(share: str, run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.jsonl"
    status, _, told = run("soak", "--at-least", share, "--minutes", "0.01", "-o", str(path))
    assert status == 64
    assert f"--at-least {float(share):g}: is no share of a ceiling" in told
    assert not path.exists()
