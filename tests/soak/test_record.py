"""Records made of journals: how each link did, what was carried, how it ended."""

import msgspec
import pytest

from probe.audit.snapshot import Snapshot
from probe.bandwidth.ceiling import carries
from probe.evidence import Host
from probe.exit_status import ExitStatus
from probe.links.link import WhichEnd
from probe.loads.results import Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.soak.journal import Baseline, Damaged, End, Entry, Gap, LinkSample, LoadEnded, Sample, Start
from probe.soak.record import Record, exit_status, record
from probe.soak.thinning import Sizes, thinned
from probe.soak.throughput import throughputs
from probe.verdict.verdicts import Verdict
from tests.compare.machines import drive, of, slot, snapshot

PLACE = "0000/0/01.0"
GOOD = snapshot(of(slot(1, drive())), boot_id="boot one")
OVER = End(t=60.0, why="the planned time was over", complete=True)


def start(before: Snapshot = GOOD, *loads: str, covers: tuple[str, ...] = (PLACE,)) -> Start:
    """A link that a load covers by the person's word, unless a test says otherwise."""
    return Start(
        snapshot=before, place_ids=(PLACE,), loads=loads, interval_s=1.0, planned_s=60.0, correctable_limit="6/2h",
        covers=covers,
    )  # fmt: skip


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


def of_entries(*entries: Entry, here: Host | None = None) -> Record:
    return record(entries, here=here)


def test_a_clean_run_passes() -> None:
    found = of_entries(start(), sample(0.0), Baseline(0.0, {}), sample(59.0), OVER)
    assert (found.verdict, found.urgent, found.complete, found.samples) == ("passed", False, True, 2)
    (link,) = found.links
    assert (link.under_load, link.hottest_c) == (Verdict.FULL, 99.0)
    assert exit_status(found) is ExitStatus.CLEAN


RESTING = snapshot(of(slot(1, drive(None, "2.5 GT/s x4", power_state="D3hot"))))


@pytest.mark.parametrize(
    ("seen", "covers", "word", "result"),
    [
        (sample(1.0, 16.0, moving=5e9), (), Verdict.FULL, "passed"),
        (sample(1.0, 16.0), (), Verdict.FULL, "inconclusive"),
        (sample(1.0, 2.5), (), Verdict.RESTING, "inconclusive"),
        (sample(1.0, 2.5), (PLACE,), Verdict.DOWNTRAINED, "failed"),
        (sample(1.0, 2.5, moving=5e9), (), Verdict.DOWNTRAINED, "failed"),
        (sample(1.0, 2.5, moving=1e6), (), Verdict.RESTING, "inconclusive"),
    ],
)
def test_resting_resolves_under_load(seen: Sample, covers: tuple[str, ...], word: Verdict, result: str) -> None:
    found = of_entries(start(RESTING, covers=covers), sample(0.0, 2.5), seen, OVER)
    assert found.links[0].before is Verdict.RESTING
    assert (found.links[0].under_load, found.result) == (word, result)


def test_a_command_alone_loads_no_link() -> None:
    found = of_entries(start(GOOD, "-- a command", covers=()), sample(0.0), sample(59.0), OVER)
    assert (found.result, found.links[0].loaded) == ("inconclusive", None)
    assert exit_status(found) is ExitStatus.NOTHING_JUDGED


def test_a_link_that_falls_under_load_and_stays_fails() -> None:
    fallen = of_entries(start(), *(sample(float(t), 16.0 if t < 30 else 8.0) for t in range(60)), OVER)
    assert fallen.result == "failed"
    assert any("ran at 8 GT/s x4 at the end, under load" in reason for reason in fallen.reasons)
    rested = of_entries(
        start(covers=()),
        *(sample(float(t), 16.0 if t < 30 else 8.0, 4, 5e9 if t < 30 else 0.0) for t in range(60)),
        OVER,
    )
    assert rested.result == "passed"  # it rested when the load was over


@pytest.mark.parametrize(
    ("minutes", "result"), [((0.0, 1.0), "failed"), ((0.0, 119.0), "failed"), ((0.0, 121.0), "passed")]
)
def test_a_limit_is_a_window_that_slides(minutes: tuple[float, ...], result: str) -> None:
    """illumos pciex.esc: 6 correctable link errors in 2 hours, wherever they lie; 24 hours dilute nothing."""
    errors = [counted(3600.0 + 60.0 * minute, 3) for minute in minutes]
    day: list[Entry] = [sample(0.0), Baseline(0.0, {}), *errors, sample(86_399.0)]
    assert of_entries(start(), *day, End(t=86_400.0, why="over", complete=True)).result == result


def test_an_uncorrectable_error_counts_before_any_baseline() -> None:
    early = counted(0.5, 1, Severity.NONFATAL, "Completion Timeout")
    found = of_entries(start(), sample(0.0), early, Baseline(5.0, {}), sample(59.0), OVER)
    assert (found.result, exit_status(found)) == ("failed", ExitStatus.URGENT)


def test_a_run_that_was_cut_short_never_passes() -> None:
    ended = End(t=9.0, why="ended by SIGINT", complete=False)
    found = of_entries(start(), sample(0.0), Baseline(0.0, {}), sample(9.0), ended)
    assert (found.result, exit_status(found)) == ("inconclusive", ExitStatus.NOTHING_JUDGED)
    assert "cut short: ended by SIGINT" in found.reasons[0]


def test_a_slow_device_fails_no_link() -> None:
    found = of_entries(start(), sample(0.0), *passes("to host", CEILING * 0.4), sample(59.0), OVER)
    assert (found.result, found.throughput[0].short) == ("passed", True)


def test_errors_that_cannot_be_counted_leave_it_open() -> None:
    blind = drive()
    before = snapshot(of(slot(1, blind)), boot_id="boot one")
    links = tuple(
        msgspec.structs.replace(link, errors=type(link.errors)(), error_counts=(), counters={}) for link in before.links
    )
    before = msgspec.structs.replace(before, links=links)
    run = (sample(0.0), Baseline(0.0, {}), sample(59.0), OVER)
    assert of_entries(start(before), *run).result == "inconclusive"
    accepted = msgspec.structs.replace(start(before), accepts=("uncounted-errors",))
    assert of_entries(accepted, *run).result == "passed"


def test_samples_once_thinned_count_as_fine_ones_do() -> None:
    run: list[Entry] = [start(RESTING), *(sample(float(t), 2.5, moving=5e9) for t in range(60)), OVER]
    for entries in (run, [*thinned(run, Sizes(fine=1, bucket=10, coarse=10))]):
        found = of_entries(*entries)
        assert (found.links[0].under_load, found.verdict, found.samples) == (Verdict.DOWNTRAINED, "failed", 60)
        assert (found.links[0].loaded_s, found.links[0].below_s) == (59.0, 59.0)


@pytest.mark.parametrize(("seconds", "result"), [(3, "passed"), (600, "failed")])
def test_a_link_that_was_long_below_its_best_under_load_fails(seconds: int, result: str) -> None:
    samples = [sample(float(t), 8.0 if 100 < t <= 100 + seconds else 16.0, moving=5e9) for t in range(2000)]
    found = of_entries(start(covers=()), *samples, End(t=2000.0, why="over", complete=True))
    assert found.result == result
    assert (found.links[0].below_s, found.links[0].loaded_s) == (seconds, 1999.0)
    if result == "failed":
        assert "for 600 of 1999 s under load below what both ends can do: 8 GT/s x4 for 600 s" in found.reasons[0]


def test_a_link_that_rests_where_only_a_word_says_it_is_loaded_is_no_fault() -> None:
    rests = [sample(float(t), 2.5 if t < 30 else 16.0) for t in range(60)]
    narrow = [sample(float(t), 16.0, 1 if t < 30 else 4) for t in range(60)]
    assert of_entries(start(RESTING), *rests, OVER).result == "passed"
    assert of_entries(start(), *rests, OVER).result == "failed"  # one that ran at its best when nobody used it
    assert of_entries(start(RESTING), *narrow, OVER).result == "failed"


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
    assert "first at offset 4096 (1 bit)" in found.reasons[0]


def test_a_load_that_failed_fails() -> None:
    assert of_entries(start(), LoadEnded(t=9.0, load="-- x", status=7), sample(1.0), OVER).verdict == "failed"
    assert of_entries(start(), LoadEnded(t=9.0, load="-- x", status=None), sample(1.0), OVER).verdict == "passed"


ENDED, CRASHED = "the program was ended or killed", "the host went down"
NOT_KNOWN = f"{ENDED}, or {CRASHED}, after the last sample, 7 s in"


@pytest.mark.parametrize(
    ("machine_id", "boot_id", "told"),
    [
        ("this", "boot one", f"{ENDED} after the last sample, 7 s in"),
        ("this", "boot two", f"{CRASHED} after the last sample, 7 s in, and was started anew since"),
        ("this", None, NOT_KNOWN),
        (None, "boot two", NOT_KNOWN),
        ("another", "boot two", f"{NOT_KNOWN}; that was another host than this one"),
    ],
)
def test_how_it_ended_without_an_end(machine_id: str | None, boot_id: str | None, told: str) -> None:
    before = snapshot(of(slot(1, drive())), boot_id="boot one", machine_id="this")
    here = msgspec.structs.replace(before.evidence.host, boot_id=boot_id, machine_id=machine_id)
    found = of_entries(start(before), sample(0.0), sample(7.0), here=here)
    assert found.ended == told
    assert (found.complete, found.verdict) == (False, "inconclusive")


def test_nothing_is_said_of_a_boot_without_a_host() -> None:
    assert of_entries(start(), sample(0.0), sample(7.0)).ended == NOT_KNOWN


@pytest.mark.parametrize(("seconds", "result"), [(0.5, "passed"), (10.0, "inconclusive")])
def test_time_without_samples_is_told_and_is_not_time_without_an_error(seconds: float, result: str) -> None:
    gap = Gap(t=30.0, since=30.0 - seconds, why="the host was suspended for a while")
    found = of_entries(start(), sample(0.0), sample(30.0 - seconds), gap, sample(30.0), sample(60.0), OVER)
    assert found.result == result
    assert [(event.kind, event.t) for event in found.events] == [("not watched", 30.0)]
    assert (result == "passed") == ("nobody looked" not in found.reasons[0])


@pytest.mark.parametrize(("wait", "result"), [(0.0, "failed"), (3600.0, "failed"), (3 * 3600.0, "inconclusive")])
def test_errors_of_a_gap_came_at_some_moment_of_it(wait: float, result: str) -> None:
    """Six within two hours are proven only where the gap is no longer than that."""
    late = msgspec.structs.replace(counted(1e6, 6), since=1e6 - wait)
    gaps = [Gap(t=1e6, since=1e6 - wait, why="the program was stopped")] if wait else []
    found = of_entries(
        start(), sample(0.0), Baseline(0.0, {}), *gaps, late, sample(1e6 + 1.0), End(t=1e6 + 1.0, why="", complete=True)
    )
    assert found.result == result


def test_a_damaged_line_never_passes() -> None:
    found = of_entries(start(), sample(0.0), Damaged(t=0.0, line=3), sample(59.0), OVER)
    assert found.result == "inconclusive"
    assert "1 line of the record cannot be read" in found.reasons[0]


def test_the_window_is_that_of_the_errors_that_the_limit_is_for() -> None:
    """A flood of what the limit is not for hides no window of what it is for."""
    flood = counted(10.0, 1000, error="Advisory Non-Fatal Error")
    six = [counted(20_000.0 + 60.0 * number, 1) for number in range(6)]
    day = End(t=86_400.0, why="over", complete=True)
    assert of_entries(start(), Baseline(0.0, {}), flood, sample(86_399.0), day).result == "passed"
    assert of_entries(start(), Baseline(0.0, {}), flood, *six, sample(86_399.0), day).result == "failed"


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


def test_both_ways_at_once_are_held_against_both_ceilings_and_fall_short_of_nothing() -> None:
    (found,) = throughputs(passes("both", CEILING), LINKS)
    assert found.share == pytest.approx(0.5, abs=0.05)
    assert not found.short


@pytest.mark.parametrize(
    ("carried", "limit", "held", "short"),
    [
        (95e6, 100e6, "95% of the rate that was set", False),
        (40e6, 100e6, "falls short: 40% of the rate that was set", True),
        (CEILING * 0.9, 1e12, "carries what it should: 90% of the ceiling", False),
    ],
)
def test_a_rate_that_a_person_set_is_the_ceiling(carried: float, limit: float, held: str, short: bool) -> None:
    (found,) = throughputs(passes("to host", carried), LINKS, rate_bytes_s=limit)
    assert (found.sentence, found.short) == (held, short)
    assert found.ceiling_bytes_s == int(min(limit, CEILING))
    assert bool(found.questions) == short
