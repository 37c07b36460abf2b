"""Records made of journals: how each link did, what was carried, how it ended."""

import pytest

from probe.audit.snapshot import Snapshot
from probe.bandwidth.ceiling import carries
from probe.exit_status import ExitStatus
from probe.links.link import WhichEnd
from probe.loads.results import Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.soak.journal import Baseline, End, Entry, LinkSample, LoadEnded, Sample, Start, bucket
from probe.soak.record import Record, exit_status, record
from probe.soak.throughput import throughputs
from probe.verdict.words import Verdict
from tests.compare.machines import drive, of, slot, snapshot

PLACE = "0000/0/01.0"
GOOD = snapshot(of(slot(1, drive())), boot_id="boot one")
OVER = End(t=60.0, why="the planned time was over", complete=True)


def start(before: Snapshot = GOOD, *loads: str) -> Start:
    return Start(
        snapshot=before, place_ids=(PLACE,), loads=loads, interval_s=1.0, planned_s=60.0, correctable_limit="6/2h"
    )


def sample(t: float, speed: float | None = 16.0, width: int | None = 4, moving: float | None = None) -> Sample:
    return Sample(t, {PLACE: LinkSample(speed, width, moving, None, 40.0 + t)})


def counted(t: float, count: int, severity: Severity = Severity.CORRECTABLE, error: str = "Bad TLP") -> CountedErrors:
    return CountedErrors(
        t=t,
        place_id=PLACE,
        end=WhichEnd.COMPONENT,
        function="0000:01:00.0",
        severity=severity,
        error=error,
        count=count,
    )


def of_entries(*entries: Entry, boot: str | None = None) -> Record:
    return record(entries, boot_id_now=boot)


def test_a_clean_run_passes() -> None:
    found = of_entries(start(), sample(0.0), Baseline(0.0, {}), sample(59.0), OVER)
    assert (found.verdict, found.urgent, found.complete, found.samples) == ("passed", False, True, 2)
    (link,) = found.links
    assert (link.under_load, link.hottest_c) == (Verdict.FULL, 99.0)
    assert exit_status(found) is ExitStatus.CLEAN


RESTING = snapshot(of(slot(1, drive(None, "2.5 GT/s x4", power_state="D3hot"))))


@pytest.mark.parametrize(
    ("seen", "loads", "word"),
    [
        (sample(1.0, 16.0), (), Verdict.FULL),
        (sample(1.0, 2.5), (), Verdict.RESTING),
        (sample(1.0, 2.5), ("-- a command",), Verdict.DOWNTRAINED),
        (sample(1.0, 2.5, moving=5e9), (), Verdict.DOWNTRAINED),
    ],
)
def test_resting_resolves_under_load(seen: Sample, loads: tuple[str, ...], word: Verdict) -> None:
    found = of_entries(start(RESTING, *loads), sample(0.0, 2.5), seen, OVER)
    assert found.links[0].before is Verdict.RESTING
    assert found.links[0].under_load is word
    assert found.verdict == ("failed" if word is Verdict.DOWNTRAINED else "passed")


def test_samples_once_thinned_count_as_fine_ones_do() -> None:
    fine = [sample(float(t), 2.5, moving=5e9) for t in range(60)]
    for samples in (fine, [bucket(list(fine))]):
        found = of_entries(start(RESTING), *samples, OVER)
        assert (found.links[0].under_load, found.verdict) == (Verdict.DOWNTRAINED, "failed")


@pytest.mark.parametrize(("count", "verdict"), [(5, "passed"), (6, "failed")])
def test_errors_against_the_limit(count: int, verdict: str) -> None:
    found = of_entries(start(), Baseline(1.0, {}), counted(2.0, count), sample(59.0), OVER)
    assert found.verdict == verdict
    assert found.links[0].errors[0].direction == "host to component"


def test_errors_before_working_speed_do_not_count() -> None:
    found = of_entries(start(), counted(0.5, 99), Baseline(1.0, {}), sample(59.0), OVER)
    assert found.verdict == "passed"
    assert found.links[0].errors_before_baseline == 99


def test_an_uncorrectable_error_is_urgent() -> None:
    found = of_entries(start(), Baseline(0.0, {}), counted(2.0, 1, Severity.FATAL, "Malformed TLP"), sample(59.0), OVER)
    assert (found.verdict, exit_status(found)) == ("failed", ExitStatus.URGENT)


def test_a_link_that_went_down_is_urgent() -> None:
    down = LinkEvent(t=9.0, place_id=PLACE, kind=LinkEventKind.LINK_DOWN, sentence="the link went down", bad=True)
    found = of_entries(start(), sample(0.0), down, sample(10.0, None, None), OVER)
    assert exit_status(found) is ExitStatus.URGENT
    assert found.links[0].transitions == 1


def test_changed_data_fails() -> None:
    wrong = Mismatch(
        t=3.0, load="storage-round-trip", target="/x", place_id=PLACE, offset=4096, expected="00", found="01", bits=1
    )
    found = of_entries(start(), wrong, sample(59.0), OVER)
    assert "first at offset 4096 (1 bits)" in found.reasons[0]


def test_a_load_that_failed_fails() -> None:
    assert of_entries(start(), LoadEnded(t=9.0, load="-- x", status=7), sample(1.0), OVER).verdict == "failed"
    assert of_entries(start(), LoadEnded(t=9.0, load="-- x", status=None), sample(1.0), OVER).verdict == "passed"


def test_how_it_ended_without_an_end() -> None:
    entries = (start(), sample(0.0), sample(7.0))
    assert (
        "the program was ended or killed after the last sample, 7 s in" in of_entries(*entries, boot="boot one").ended
    )
    crashed = of_entries(*entries, boot="boot two")
    assert "the host went down after the last sample, 7 s in" in crashed.ended
    assert (crashed.complete, crashed.verdict) == (False, "failed")


def passes(direction: str, *rates: float) -> list[Pass]:
    return [
        Pass(t=1.0, load="x", target="/dev/x", place_id=PLACE, direction=direction, bytes=int(rate), seconds=1.0)
        for rate in rates
    ]


LINKS = {link.place_id: link for link in GOOD.links}
CEILING = float(carries(16.0, 4, 256, 512).to_host)


@pytest.mark.parametrize(
    ("share", "short", "words"),
    [
        (0.90, False, "carries what it should: 90%"),
        (0.62, True, "falls short: 62%"),
        (1.2, False, "more than the link"),
    ],
)
def test_share_of_the_ceiling(share: float, short: bool, words: str) -> None:
    (found,) = throughputs(passes("to host", CEILING * share), LINKS)
    assert found.short == short
    assert words in found.sentence
    assert bool(found.questions) == short


def test_the_median_counts_not_one_bad_pass() -> None:
    (found,) = throughputs(passes("to host", CEILING * 0.9, CEILING * 0.1, CEILING * 0.92), LINKS)
    assert not found.short
    assert found.least_bytes_s == pytest.approx(CEILING * 0.1, abs=1)


def test_both_directions_at_once_have_no_ceiling() -> None:
    (found,) = throughputs(passes("both", 1e9), LINKS)
    assert (found.share, found.short) == (None, False)
