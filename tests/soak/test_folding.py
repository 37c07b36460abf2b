"""Floods of events, errors, differences and passes stay few lines, and come to the same."""

from collections.abc import Sequence

import pytest

from probe.loads.results import TO_HOST, Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.soak.journal import Baseline, End, Entry, Passes, PhaseSums
from probe.soak.rates import Rates, added
from probe.soak.record import record
from probe.soak.thinning import Sizes, thinned
from tests.soak.test_record import PLACE, counted, sample, start
from tests.soak.test_together import LINKS

SIZES = Sizes(fine=60, bucket=60, coarse=100)
HOURS = 5
SECONDS = HOURS * 3600


def run(*happened: Entry) -> list[Entry]:
    """Five hours, a sample every ten seconds, with what happened at its moments."""
    found: list[Entry] = [*happened, *(sample(float(t), moving=5e9) for t in range(0, SECONDS, 10))]
    found.sort(key=lambda entry: getattr(entry, "t", 0.0))
    return [start(covers=()), Baseline(0.0, {}), *found, End(t=float(SECONDS), why="over", complete=True)]


def kept(entries: Sequence[Entry], kind: type) -> list[Entry]:
    return [entry for entry in entries if isinstance(entry, kind)]


def test_a_flood_of_events() -> None:
    flood = [
        LinkEvent(t=float(t), place_id=PLACE, kind=LinkEventKind.RETRAINED, sentence="again") for t in range(SECONDS)
    ]
    whole = run(*flood)
    once = list(thinned(whole, SIZES))
    for entries in (once, list(thinned(once, SIZES))):
        events = kept(entries, LinkEvent)
        assert len(events) <= 11 * HOURS + 600  # those of the last ten minutes are fine
        assert record(entries).links[0].transitions == SECONDS
        assert record(entries).result == record(whole).result


def test_a_flood_of_errors_over_the_limit() -> None:
    whole = run(*(counted(float(t), 1) for t in range(SECONDS)))
    once = list(thinned(whole, SIZES))
    for entries in (once, list(thinned(once, SIZES))):
        assert len(kept(entries, CountedErrors)) < 700
        found = record(entries)
        assert found.result == "failed"
        assert found.links[0].errors[0].events == SECONDS


@pytest.mark.parametrize("minutes", [(0, 24, 48, 72, 96), (115, 116, 117, 118, 119, 121)])
def test_few_errors_keep_their_moments(minutes: tuple[int, ...]) -> None:
    """Five in two hours pass, six across the border of two stretches fail; folded by stretch the border would hide them."""
    whole = run(*(counted(60.0 * minute, 1) for minute in minutes))
    shorter = list(thinned(whole, SIZES))
    assert kept(shorter, CountedErrors) == kept(whole, CountedErrors)
    assert record(shorter).result == ("failed" if len(minutes) > 5 else "passed")


def test_a_flood_of_what_no_limit_is_for() -> None:
    whole = run(*(counted(float(t), 3, error="Advisory Non-Fatal Error") for t in range(SECONDS)))
    shorter = list(thinned(whole, SIZES))
    assert len(kept(shorter, CountedErrors)) < 700
    assert record(shorter).links[0].errors[0].events == 3 * SECONDS


def test_errors_before_and_after_the_baseline_stay_apart() -> None:
    early = [counted(float(t), 5) for t in range(1, 4)]
    late = [counted(float(t), 1) for t in range(5, 8)]
    whole = run(*early, *late)
    whole[1] = Baseline(4.5, {})
    found = record(list(thinned(whole, SIZES)))
    assert (found.links[0].errors_before_baseline, found.links[0].errors[0].events) == (15, 3)
    assert found.result == "passed"


def test_a_flood_of_differences() -> None:
    flood = [
        Mismatch(t=t / 10, load="x", target="/x", place_id=PLACE, offset=t, expected="00", found="01", bits=1, times=2)
        for t in range(10 * SECONDS)
    ]
    whole = run(*flood)
    once = list(thinned(whole, SIZES))
    for entries in (once, list(thinned(once, SIZES))):
        found = record(entries)
        assert len(found.mismatches) <= 11 * HOURS + 6000
        assert sum(item.times for item in found.mismatches) == 20 * SECONDS
        assert f"data came back changed, {20 * SECONDS} times, first at offset 0" in found.reasons[0]


def carried(t: int, target: str, rate: float) -> Pass:
    return Pass(
        t=float(t), load="x", target=target, place_id=LINKS[target].place_id, direction=TO_HOST, bytes=int(rate * 10),
        seconds=10.0, phase=TO_HOST, phase_number=t // 10,
    )  # fmt: skip


def test_passes_and_sums_of_hours() -> None:
    passes = [
        carried(t, target, 1e9 + 1e6 * ((t * 7919) % 997))
        for t in range(10, SECONDS, 10)
        for target in ("drive 0", "drive 1")
    ]
    whole: list[Entry] = run(*passes)
    once = list(thinned(whole, SIZES))
    for entries in (once, list(thinned(once, SIZES))):
        assert len(kept(entries, Pass)) <= 2 * 61
        assert len(kept(entries, Passes)) == 2 * HOURS
        assert len(kept(entries, PhaseSums)) <= HOURS
        before, after = record(whole).throughput, record(entries).throughput
        assert [(item.passes, item.median_bytes_s, item.most_bytes_s) for item in after] == [
            (item.passes, item.median_bytes_s, item.most_bytes_s) for item in before
        ]


def test_rates_keep_their_median_to_a_two_hundredth() -> None:
    rates = [1e9 + 1e6 * ((number * 7919) % 997) for number in range(997)]
    found = added([Rates.of(rates[at : at + 100]) for at in range(0, len(rates), 100)])
    assert found == Rates.of(rates)
    assert found.median == pytest.approx(sorted(rates)[len(rates) // 2], rel=0.005)
    assert (found.count, found.least, found.most) == (997, min(rates), max(rates))
    assert Rates.of([123.0]).median == 123.0


def test_what_was_kept_is_still_told() -> None:
    fatal = counted(9.0, 1, Severity.FATAL, "Malformed TLP")
    found = record(list(thinned(run(fatal), SIZES)))
    assert (found.result, found.urgent) == ("failed", True)
