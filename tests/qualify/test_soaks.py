"""A soak in parts is judged as one; errors by temperature and time; what the time can show."""

import math
from collections.abc import Sequence

import msgspec
import pytest
from scipy.stats import chi2

from fake_sysfs import card, machine, root_port
from probe.audit.snapshot import Snapshot, take
from probe.host.machine import read_machine
from probe.links.link import WhichEnd
from probe.loads.results import Pass
from probe.observe.events import CountedErrors
from probe.qualify.confidence import confidence
from probe.qualify.entries import SoakPart
from probe.qualify.error_bands import ErrorBand, by_temperature, by_time
from probe.qualify.soak_parts import seconds_of, soaked, stitched, watched
from probe.registers.errors import Severity
from probe.result import Result
from probe.soak.journal import Baseline, Cause, End, Entry, LinkSample, Sample, Spread, Start, Thinned

PLACE, FUNCTION = "0000/0/01.0", "0000:01:00.0"


@pytest.fixture(scope="module")
def snapshot() -> Snapshot:
    counters = {"correctable": {"Receiver Error": 0}, "nonfatal": {}, "fatal": {}}
    described = machine(root_port("0000:00:01.0", "16 GT/s x8", slot=1).holds(card("16 GT/s x8", counters=counters)))
    return take(read_machine(described.build().source()))


def start(snapshot: Snapshot) -> Start:
    return Start(
        snapshot=snapshot, place_ids=(PLACE,), loads=(), interval_s=1.0, planned_s=100.0, correctable_limit="6/2h",
        covers=(PLACE,), asked=(PLACE,),
    )  # fmt: skip


def sample(t: float, heat: float | None = None, speed: float | None = 16.0) -> Sample:
    return Sample(t, {PLACE: LinkSample(speed, 8, None, None, heat)})


def errors(t: float, count: int, severity: Severity = Severity.CORRECTABLE) -> CountedErrors:
    return CountedErrors(
        t=t, place_id=PLACE, end=WhichEnd.COMPONENT, function=FUNCTION, severity=severity, error="Receiver Error",
        count=count,
    )  # fmt: skip


def part(snapshot: Snapshot, *entries: Entry) -> SoakPart:
    listed = (start(snapshot), *entries)
    return SoakPart(turn=1, seconds=seconds_of(listed), entries=listed)


def ended(t: float) -> End:
    return End(t=t, why="the planned time was over", complete=True, cause=Cause.PLANNED)


def test_parts_add_up_and_pass_as_one(snapshot: Snapshot) -> None:
    first = part(snapshot, Baseline(0.0, {}), *(sample(float(t)) for t in range(61)))
    second = part(snapshot, Baseline(0.0, {}), *(sample(float(t)) for t in range(41)), ended(40.0))
    found = soaked([first, second])
    assert (found.elapsed_s, found.complete, found.samples) == (100.0, True, 102)
    assert found.result is Result.PASSED
    assert watched([first, second])[0].place_id == PLACE
    assert soaked([first]).result is Result.INCONCLUSIVE  # the first alone was cut off


def test_a_share_that_was_asked_for_is_held_over_all_parts(snapshot: Snapshot) -> None:
    """The median over both: in the first part the link was slow for longer."""
    (link,) = snapshot.links
    ceiling = link.bandwidth.ceiling_bytes_s.to_host or 0
    asked = msgspec.structs.replace(start(snapshot), at_least=0.8, covers=())
    for slow, fast, result in ((3, 2, Result.FAILED), (2, 3, Result.PASSED)):
        passes = [
            carried(float(t), int(ceiling * share)) for share, n in ((0.4, slow), (0.9, fast)) for t in range(1, n + 1)
        ]
        first = SoakPart(
            turn=1, seconds=60.0, entries=(asked, Baseline(0.0, {}), sample(0.0), *passes[:slow], sample(60.0))
        )
        second = SoakPart(turn=1, seconds=40.0, entries=(asked, sample(0.0), *passes[slow:], sample(40.0), ended(40.0)))
        found = soaked([first, second])
        assert (found.result, found.links[0].result) == (result, result), found.reasons


def carried(t: float, size: int) -> Pass:
    return Pass(t=t, load="x", target="one", place_id=PLACE, direction="to host", bytes=size, seconds=1.0)


def test_errors_count_over_all_parts_and_not_while_links_settle_after_a_cut(snapshot: Snapshot) -> None:
    first = part(snapshot, Baseline(2.0, {}), sample(0.0), errors(1.0, 50), errors(10.0, 3), sample(60.0))
    second = part(snapshot, sample(0.0), errors(1.0, 70), Baseline(2.0, {}), errors(10.0, 2), sample(40.0), ended(40.0))
    found = soaked([first, second])
    assert [item.events for item in found.links[0].errors] == [5]
    assert found.links[0].errors_before_baseline == 120
    assert found.result is Result.PASSED
    worse = part(snapshot, sample(0.0), Baseline(2.0, {}), errors(10.0, 3), sample(40.0), ended(40.0))
    assert soaked([first, worse]).result is Result.FAILED  # 6 in all, the limit, though neither part has as many


def test_uncorrectable_errors_count_from_the_first_moment_of_every_part(snapshot: Snapshot) -> None:
    first = part(snapshot, Baseline(0.0, {}), sample(0.0), sample(60.0))
    second = part(snapshot, sample(0.0), errors(0.5, 1, Severity.FATAL), Baseline(2.0, {}), sample(40.0), ended(40.0))
    found = soaked([first, second])
    assert (found.result, found.urgent) == (Result.FAILED, True)


def test_moments_go_on_and_never_back(snapshot: Snapshot) -> None:
    parts = [part(snapshot, sample(0.0), sample(t)) for t in (5.0, 7.0, 9.0)]
    moments = [entry.t for entry in stitched(parts) if isinstance(entry, Sample)]
    assert moments == [0.0, 5.0, 5.0, 12.0, 12.0, 21.0]


def bands(found: Sequence[ErrorBand], place: str) -> dict[tuple[float | None, float | None], tuple[float, int, int]]:
    return {
        (band.least, band.most): (band.seconds, band.correctable, band.uncorrectable)
        for band in found
        if band.place_id == place
    }


def test_errors_by_bands_of_5_degrees(snapshot: Snapshot) -> None:
    entries: list[Entry] = [
        start(snapshot), Baseline(0.0, {}), sample(0.0, 44.9), errors(10.0, 2), sample(10.0, 45.0), errors(20.0, 5),
        errors(25.0, 1, Severity.NONFATAL), sample(30.0, 49.9), sample(40.0, None), errors(41.0, 4), sample(50.0, 40.0),
    ]  # fmt: skip
    found = list(by_temperature(entries, [PLACE]))
    assert bands(found, PLACE) == {
        (40.0, 45.0): (10.0, 2, 0), (45.0, 50.0): (30.0, 5, 1), (None, None): (10.0, 4, 0),
    }  # fmt: skip
    assert bands(found, "") == bands(found, PLACE)


def test_thinned_samples_stand_for_their_mean(snapshot: Snapshot) -> None:
    heat = Spread(40.0, 52.0, 60.0)
    speed, width = Spread(8.0, 12.0, 16.0), Spread(8.0, 8.0, 8.0)
    entries: list[Entry] = [
        start(snapshot),
        Thinned(0.0, 59.0, 60, {PLACE: (speed, width, None, None, heat)}),
        sample(60.0, 61.0),
    ]
    assert bands(list(by_temperature(entries, [PLACE])), PLACE) == {
        (50.0, 55.0): (60.0, 0, 0),
        (60.0, 65.0): (0.0, 0, 0),
    }


def test_errors_by_time_in_twelve_stretches_at_the_most(snapshot: Snapshot) -> None:
    entries: list[Entry] = [start(snapshot), *(sample(float(t)) for t in range(0, 7200, 60)), errors(3700.0, 9)]
    found = bands(list(by_time(entries, [PLACE])), PLACE)
    assert len(found) == 12
    assert found[3600.0, 4200.0] == (600.0, 9, 0)
    assert sum(seconds for seconds, _, _ in found.values()) == 7140.0


def test_a_bound_is_garwoods(snapshot: Snapshot) -> None:
    """scipy's chi-squared is the witness: the upper bound of a Poisson mean is half of its quantile at 2 (k + 1)."""
    entries: list[Entry] = [
        start(snapshot),
        Baseline(0.0, {}),
        sample(0.0, 50.0),
        errors(1800.0, 3),
        sample(3600.0, 51.0),
    ]
    (band,) = (item for item in by_temperature(entries, [PLACE]) if item.place_id == PLACE)
    assert band.per_hour_below == pytest.approx(chi2.ppf(0.95, 2 * (3 + 1)) / 2)
    link = watched([part(snapshot)])[0]
    told = confidence(link, [entries])
    bits = 3600 * 16e9 * 8
    assert (told.seconds, told.bits, told.errors) == (3600.0, bits, 3)
    assert told.ratio_below == pytest.approx(chi2.ppf(0.95, 2 * (3 + 1)) / 2 / bits)


def test_without_an_error_the_rule_of_three(snapshot: Snapshot) -> None:
    """-ln(0.05), about 3, over the bits (Hanley and Lippman-Hand, JAMA 249:1743, 1983; from memory)."""
    link = watched([part(snapshot)])[0]
    told = confidence(
        link, [[start(snapshot), sample(0.0), sample(100.0)], [start(snapshot), sample(0.0), sample(20.0)]]
    )
    assert told.ratio_below == pytest.approx(-math.log(0.05) / (120 * 16e9 * 8))


def test_what_was_not_read_speaks_for_no_bit(snapshot: Snapshot) -> None:
    link = watched([part(snapshot)])[0]
    told = confidence(link, [[start(snapshot), sample(0.0, speed=None), sample(100.0, speed=None)]])
    assert (told.bits, told.ratio_below, told.seconds) == (None, None, 0.0)
